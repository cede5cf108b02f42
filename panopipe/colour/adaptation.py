"""Chromatic adaptation: what a colour under one white becomes under another."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from panopipe.colour.spaces import WORKING_FROM_XYZ, Matrix

BRADFORD: Matrix = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
"""XYZ to the Bradford cone space (ICC.1:2022, annex E)."""


def adaptation_matrix(from_xyz: ArrayLike, to_xyz: ArrayLike, cone: Matrix = BRADFORD) -> Matrix:
    """XYZ to XYZ matrix that turns the white `from_xyz` into the white `to_xyz`, scaling cone responses.

    Raises
    ------
    ValueError
        If a white has a cone response that is not positive.
    """
    matrix: Matrix = np.linalg.inv(cone) @ np.diag(_gains(from_xyz, to_xyz, cone)) @ cone
    return matrix


def working_adaptation(from_xyz: ArrayLike, to_xyz: ArrayLike) -> Matrix:
    """Working space to working space matrix that turns the white `from_xyz` into the white `to_xyz`.

    It scales the channels of the working space. Seen by cameras of published sensitivities, surfaces under
    lamps come nearer so to what they are in daylight than by Bradford's cones, and wood turns less pink.

    Raises
    ------
    ValueError
        If a white lies outside the gamut of the working space.
    """
    return np.diag(_gains(from_xyz, to_xyz, WORKING_FROM_XYZ))


def _gains(from_xyz: ArrayLike, to_xyz: ArrayLike, channels: Matrix) -> Matrix:
    """Gains of the channels of a space that turn one white into the other."""
    source = channels @ np.asarray(from_xyz, dtype=np.float64)
    target = channels @ np.asarray(to_xyz, dtype=np.float64)
    if np.any(source <= 0) or np.any(target <= 0):
        raise ValueError(f"no light has the white {np.asarray(from_xyz)} or {np.asarray(to_xyz)}")
    gains: Matrix = target / source
    return gains
