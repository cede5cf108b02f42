"""The sRGB transfer curve, for arrays of any shape."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

_SLOPE = 12.92
_OFFSET = 0.055
_EXPONENT = 2.4
_LINEAR_END = 0.0031308
"""Where the straight part ends on the linear side (IEC 61966-2-1, equations 5 and 6)."""
_CODED_END = 0.04045
"""Where the straight part ends on the coded side."""


def srgb_encode(linear: ArrayLike) -> NDArray[Any]:
    """Code linear sRGB light.

    Parameters
    ----------
    linear : array_like
        Linear light, 1.0 at white. Values below 0 are coded as the mirrored curve, values above 1 by the
        same curve.

    Returns
    -------
    ndarray of the same shape, float32 for float32 input, float64 otherwise
        Coded values, 1.0 at white.

    References
    ----------
    .. [1] IEC 61966-2-1:1999, Default RGB colour space - sRGB.
    """
    light = _floats(linear)
    size = np.abs(light)
    curved = (1 + _OFFSET) * size ** light.dtype.type(1 / _EXPONENT) - _OFFSET
    coded: NDArray[Any] = np.copysign(np.where(size <= _LINEAR_END, _SLOPE * size, curved), light)
    return coded


def srgb_decode(coded: ArrayLike) -> NDArray[Any]:
    """Turn coded sRGB values into linear light; the inverse of `srgb_encode`.

    Parameters
    ----------
    coded : array_like
        Coded values, 1.0 at white (divide 8-bit codes by 255).

    Returns
    -------
    ndarray of the same shape, float32 for float32 input, float64 otherwise
        Linear light, 1.0 at white.

    References
    ----------
    .. [1] IEC 61966-2-1:1999, Default RGB colour space - sRGB.
    """
    value = _floats(coded)
    size = np.abs(value)
    curved = ((size + _OFFSET) / (1 + _OFFSET)) ** value.dtype.type(_EXPONENT)
    light: NDArray[Any] = np.copysign(np.where(size <= _CODED_END, size / _SLOPE, curved), value)
    return light


def _floats(values: ArrayLike) -> NDArray[Any]:
    array = np.asarray(values)
    return array if array.dtype == np.float32 else array.astype(np.float64)
