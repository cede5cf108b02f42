"""A 3x3 matrix over pixels."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.compiled import compiled

Rows = NDArray[np.float32]


Samples = NDArray[Any]

_SAMPLES = (np.uint8, np.uint16, np.float32)
"""Types that are worked on as they are; others become float32 first."""


def transform_rows(
    rows: Samples, matrix: NDArray[np.float64], *, out: Rows | None = None, start: int = 0
) -> Rows:
    """Apply a 3x3 matrix, or a 3x4 affine one, to the colours of rows.

    Parameters
    ----------
    rows : ndarray of shape (n, width, 3)
        Any linear colours; float32, or 8 or 16 bit samples.
    matrix : ndarray of shape (3, 3) or (3, 4), dtype float64
        Rounded to float32 before use. A fourth column is added after the product.
    out : ndarray of shape (n, width, 3), dtype float32, optional
        Contiguous; takes the result. May be `rows`, if `start` is 0. New memory costs more than the product
        itself.
    start : int
        Column of `rows` at which the result begins; it goes on around the seam.

    Returns
    -------
    ndarray of shape (n, width, 3), dtype float32
        `out` or a new array; each pixel's bits depend on its own colour alone.
    """
    affine = np.zeros((3, 4), np.float32)
    affine[:, : np.shape(matrix)[1]] = matrix
    rows = as_compiled(rows)
    out = np.empty(rows.shape, np.float32) if out is None else out
    _transform(rows, affine, out, start)
    return out


def as_compiled(samples: Samples) -> Samples:
    """Samples in one piece, of a type that compiled forms take: their own if it is one, else float32."""
    return np.ascontiguousarray(samples, samples.dtype if samples.dtype in _SAMPLES else np.float32)


@compiled("transform")
def _transform(rows: Samples, affine: Rows, out: Rows, start: int) -> None:
    """Rows (n, width, 3) by an affine (3, 4) into `out`, which may be `rows` if `start` is 0."""
    red, green, blue = np.moveaxis(np.roll(rows.astype(np.float32), -start, axis=1), -1, 0)
    for plane, (by_red, by_green, by_blue, added) in enumerate(affine):
        out[..., plane] = by_red * red + by_green * green + by_blue * blue + added
