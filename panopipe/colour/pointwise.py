"""A 3x3 matrix over pixels, with the same bits wherever a pixel stands.

`cv2.transform` works in vectors and rounds the last few pixels of an array another way than the rest
(seen with OpenCV 5.0: one unit in the last place). A pixel's bits would then depend on how a frame was cut
into bands.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import Matrix

_TAIL = 32
"""More pixels than OpenCV's widest vector leaves over."""


def transform_rows(
    rows: NDArray[np.float32], matrix: Matrix, *, out: NDArray[np.float32] | None = None
) -> NDArray[np.float32]:
    """Apply a 3x3 matrix, or a 3x4 affine one, to the colours of rows.

    Parameters
    ----------
    rows : ndarray of shape (n, width, 3), dtype float32
        Any linear colours.
    matrix : ndarray of shape (3, 3) or (3, 4), dtype float64
        Rounded to float32 before use. A fourth column is added after the product.
    out : ndarray of shape (n, width, 3), dtype float32, optional
        Contiguous; takes the result. New memory costs more than the product itself.

    Returns
    -------
    ndarray of shape (n, width, 3), dtype float32
        `out` or a new array; each pixel's bits depend on its own colour alone.
    """
    coefficients = np.asarray(matrix, dtype=np.float32)
    pixels = np.ascontiguousarray(rows).reshape(1, -1, 3)
    target = None if out is None else out.reshape(1, -1, 3)
    result = cv2.transform(pixels, coefficients, dst=target)
    tail = np.zeros((1, 2 * _TAIL, 3), dtype=np.float32)
    count = min(_TAIL, pixels.shape[1])
    tail[:, :count] = pixels[:, -count:]
    result[:, -count:] = cv2.transform(tail, coefficients)[:, :count]
    return np.asarray(result, dtype=np.float32).reshape(rows.shape)
