"""CIE 1976 L*a*b*, the space in which colour differences are stated."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Float = NDArray[np.float64]

_EPSILON = 216 / 24389
_KAPPA = 24389 / 27
"""The exact fractions behind 0.008856 and 903.3 (CIE 15:2018, 8.2.1)."""


def lab_from_xyz(xyz: ArrayLike, white_xyz: ArrayLike) -> Float:
    """Lab of XYZ seen under a white.

    Parameters
    ----------
    xyz : array_like of shape (..., 3)
        Tristimulus values, on the scale of `white_xyz`.
    white_xyz : array_like of shape (3,) or broadcastable
        The white to which the eye is adapted.

    Returns
    -------
    ndarray of shape (..., 3), dtype float64
        L* (100 at white), a*, b*.

    References
    ----------
    .. [1] CIE 15:2018, Colorimetry, 8.2.1.
    """
    ratio = np.asarray(xyz, dtype=np.float64) / np.asarray(white_xyz, dtype=np.float64)
    f = np.where(ratio > _EPSILON, np.cbrt(ratio), (_KAPPA * ratio + 16) / 116)
    x, y, z = np.moveaxis(f, -1, 0)
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)
