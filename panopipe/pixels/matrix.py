"""A 3x3 matrix over pixels."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.compiled import compiled

Rows = NDArray[np.float32]


def transform_rows(rows: Rows, matrix: NDArray[np.float64], *, out: Rows | None = None) -> Rows:
    """Apply a 3x3 matrix, or a 3x4 affine one, to the colours of rows.

    Parameters
    ----------
    rows : ndarray of shape (n, width, 3), dtype float32
        Any linear colours.
    matrix : ndarray of shape (3, 3) or (3, 4), dtype float64
        Rounded to float32 before use. A fourth column is added after the product.
    out : ndarray of shape (n, width, 3), dtype float32, optional
        Contiguous; takes the result; may be `rows`. New memory costs more than the product itself.

    Returns
    -------
    ndarray of shape (n, width, 3), dtype float32
        `out` or a new array; each pixel's bits depend on its own colour alone.
    """
    affine = np.zeros((3, 4), np.float32)
    affine[:, : np.shape(matrix)[1]] = matrix
    rows = np.ascontiguousarray(rows, np.float32)
    out = np.empty_like(rows) if out is None else out
    _transform(rows.reshape(-1, 3), affine, out.reshape(-1, 3))
    return out


@compiled("transform")
def _transform(rows: Rows, affine: Rows, out: Rows) -> None:
    """Pixels (n, 3) by an affine (3, 4) into `out` (n, 3), which may be `rows`."""
    red, green, blue = (rows[:, plane].copy() for plane in range(3))
    for plane, (by_red, by_green, by_blue, added) in enumerate(affine):
        out[:, plane] = by_red * red + by_green * green + by_blue * blue + added
