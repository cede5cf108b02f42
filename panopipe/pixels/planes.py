"""What the planes of each pixel come to, plane by plane: along a side of three numpy is ten times slower."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray


def highest_plane(pixels: NDArray[Any]) -> NDArray[Any]:
    """Highest value of each pixel: ``pixels.max(axis=-1)``.

    Parameters
    ----------
    pixels : ndarray of shape (..., n)
        Planes along the last side.
    """
    highest = pixels[..., 0].copy()
    for plane in range(1, pixels.shape[-1]):
        np.maximum(highest, pixels[..., plane], out=highest)
    return highest


def mean_of_planes(pixels: NDArray[Any]) -> NDArray[Any]:
    """Mean value of each pixel, added up from the first plane on: ``pixels.mean(axis=-1)``.

    Parameters
    ----------
    pixels : ndarray of shape (..., n), dtype float32 or float64
        Planes along the last side.
    """
    total = pixels[..., 0].copy()
    for plane in range(1, pixels.shape[-1]):
        total += pixels[..., plane]
    return np.asarray(total / pixels.dtype.type(pixels.shape[-1]))
