"""Oklab: a perceptual space in which hue lines are straight, from and to the working space.

Negative light keeps its sign through the cube root, so that colours outside the working gamut survive the
round trip. A colour k times as bright has Oklab coordinates cube root of k times as large.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from panopipe.colour.spaces import XYZ_FROM_WORKING, Matrix

Colours = NDArray[np.float64]

CONES_FROM_XYZ: Matrix = np.array(
    [
        [0.8190224379967030, 0.3619062600528904, -0.1288737815209879],
        [0.0329836539323885, 0.9292868615863434, 0.0361446663506424],
        [0.0481771893596242, 0.2642395317527308, 0.6335478284694309],
    ]
)
"""XYZ (D65) to the cone-like responses of Oklab (B. Ottosson, A perceptual color space for image
processing, 2020; digits as recomputed for W3C CSS Color 4, section 10.2)."""
OKLAB_FROM_CONE_ROOTS: Matrix = np.array(
    [
        [0.2104542683093140, 0.7936177747023054, -0.0040720430116193],
        [1.9779985324311684, -2.4285922420485799, 0.4505937096174110],
        [0.0259040424655478, 0.7827717124575296, -0.8086757549230774],
    ]
)
"""Cube roots of the cone responses to L, a, b (same sources)."""

CONES_FROM_WORKING: Matrix = CONES_FROM_XYZ @ XYZ_FROM_WORKING
WORKING_FROM_CONES: Matrix = np.asarray(np.linalg.inv(CONES_FROM_WORKING))
CONE_ROOTS_FROM_OKLAB: Matrix = np.asarray(np.linalg.inv(OKLAB_FROM_CONE_ROOTS))


def oklab_from_working(rgb_linear: ArrayLike) -> Colours:
    """Oklab L, a, b of linear light in the working space.

    Parameters
    ----------
    rgb_linear : array_like of shape (..., 3)
        Linear light, working space; may be negative or above 1.

    Returns
    -------
    ndarray of shape (..., 3), dtype float64
        L is 1 for white (1, 1, 1).
    """
    cones = np.asarray(rgb_linear, dtype=np.float64) @ CONES_FROM_WORKING.T
    lab: Colours = np.cbrt(cones) @ OKLAB_FROM_CONE_ROOTS.T
    return lab


def working_from_oklab(lab: ArrayLike) -> Colours:
    """Linear light in the working space of Oklab L, a, b; the inverse of `oklab_from_working`."""
    roots = np.asarray(lab, dtype=np.float64) @ CONE_ROOTS_FROM_OKLAB.T
    rgb: Colours = (roots * roots * roots) @ WORKING_FROM_CONES.T
    return rgb
