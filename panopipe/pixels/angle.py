"""Angles of directions in a plane, by additions, multiplications and divisions alone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.compiled import compiled

Single = NDArray[np.float32]

SERIES = (
    0.0028662257,
    -0.0161657367,
    0.0429096138,
    -0.0752896400,
    0.1065626393,
    -0.1420889944,
    0.1999355085,
    -0.3333314528,
    1.0,
)
"""Arc tangent of x over x, for x up to 1, in powers of x^2, the highest first; off by 2e-8 at most."""


@compiled("angles")
def angles(across: Single, along: Single, out: Single) -> None:
    """Angle of each direction, from along towards across.

    Parameters
    ----------
    across, along : ndarray of shape (n,), dtype float32
        Contiguous; not both zero.
    out : ndarray of shape (n,), dtype float32
        Takes the angles: radians, -pi to pi, off by 5e-7 at most.

    References
    ----------
    .. [1] M. Abramowitz, I. A. Stegun, Handbook of Mathematical Functions, 1964, 4.4.49 (the series).
    """
    rise, run = np.abs(across), np.abs(along)
    steep = rise > run
    slope = np.where(steep, run, rise) / np.where(steep, rise, run)
    square = slope * slope
    angle = np.full_like(slope, np.float32(SERIES[0]))
    for factor in SERIES[1:]:
        angle = angle * square + np.float32(factor)
    angle = angle * slope
    angle = np.where(steep, np.float32(np.pi / 2) - angle, angle)
    angle = np.where(along < 0, np.float32(np.pi) - angle, angle)
    out[:] = np.where(across < 0, -angle, angle)
