"""The colour spaces of the house and the matrices between them.

The working space has the primaries of ITU-R BT.2020 and the D65 white: wide enough for what a camera
sees in a room, and its grey is the grey of sRGB, so that neutral stays neutral through export.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Matrix = NDArray[np.float64]

D65_XY = (0.3127, 0.3290)
"""White of sRGB, BT.709 and BT.2020 (ITU-R BT.2020-2, table 3)."""
D50_XY = (0.3457, 0.3585)
"""White of the profile connection space and of DNG (ISO 3664)."""

BT2020_XY = ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046))
"""Red, green and blue primaries, ITU-R BT.2020-2, table 3."""
BT709_XY = ((0.640, 0.330), (0.300, 0.600), (0.150, 0.060))
"""Red, green and blue primaries, ITU-R BT.709-6; those of sRGB too."""


def xyz_from_xy(xy: ArrayLike) -> Matrix:
    """XYZ with Y = 1 of a chromaticity, shape (..., 2) to (..., 3)."""
    x, y = np.moveaxis(np.asarray(xy, dtype=np.float64), -1, 0)
    return np.stack([x / y, np.ones_like(y), (1 - x - y) / y], axis=-1)


def xy_from_xyz(xyz: ArrayLike) -> Matrix:
    """Chromaticity of XYZ, shape (..., 3) to (..., 2)."""
    array = np.asarray(xyz, dtype=np.float64)
    chromaticity: Matrix = array[..., :2] / array.sum(axis=-1, keepdims=True)
    return chromaticity


def xyz_from_rgb_matrix(primaries_xy: ArrayLike, white_xy: ArrayLike) -> Matrix:
    """Matrix from linear RGB to XYZ, from the chromaticities of primaries and white.

    References
    ----------
    .. [1] SMPTE RP 177:1993, Derivation of Basic Television Color Equations.
    """
    primaries = xyz_from_xy(primaries_xy).T
    matrix: Matrix = primaries * np.linalg.solve(primaries, xyz_from_xy(white_xy))
    return matrix


XYZ_FROM_WORKING: Matrix = xyz_from_rgb_matrix(BT2020_XY, D65_XY)
"""Working space to XYZ under D65, columns to columns."""
WORKING_FROM_XYZ: Matrix = np.asarray(np.linalg.inv(XYZ_FROM_WORKING), dtype=np.float64)
XYZ_FROM_SRGB: Matrix = xyz_from_rgb_matrix(BT709_XY, D65_XY)
"""Linear sRGB to XYZ under D65 (IEC 61966-2-1)."""
SRGB_FROM_XYZ: Matrix = np.asarray(np.linalg.inv(XYZ_FROM_SRGB), dtype=np.float64)
SRGB_FROM_WORKING: Matrix = SRGB_FROM_XYZ @ XYZ_FROM_WORKING
WORKING_FROM_SRGB: Matrix = WORKING_FROM_XYZ @ XYZ_FROM_SRGB
LUMINANCE_OF_WORKING: Matrix = XYZ_FROM_WORKING[1]
"""Weights of red, green and blue in luminance Y (ITU-R BT.2020-2, table 4: 0.2627, 0.6780, 0.0593)."""
