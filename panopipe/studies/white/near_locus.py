"""The line on which lights stand: between the Planckian and the daylight locus, as a table."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from panopipe.colour.spaces import Matrix
from panopipe.studies.white.cones import locus, nearest_in_table

_MIRED = np.arange(40.0, 660.0, 2.0)
_DUV = 0.0015
"""Half way between the Planckian and the daylight locus."""


def nearest_on_locus(log_chromaticity: Matrix) -> tuple[Matrix, Matrix, float]:
    """Nearest light on the line.

    Parameters
    ----------
    log_chromaticity : ndarray of shape (2,)
        Place in the plane of log cone ratios.

    Returns
    -------
    foot, normal : ndarray of shape (2,)
        Its place, and the unit normal of the line there.
    mired : float
        Its temperature.
    """
    table, first, second, normals = _table()
    first, second = first - log_chromaticity[0], second - log_chromaticity[1]
    at = min(max(int((first * first + second * second).argmin()), 1), len(table) - 2)
    return table[at], normals[at], float(_MIRED[at])


def nearest_lights(log_chromaticities: Matrix) -> tuple[Matrix, Matrix]:
    """Nearest lights on the line to places of shape (n, 2), and the unit normals of the line there."""
    table, _, _, normals = _table()
    at = np.clip(nearest_in_table(log_chromaticities, table), 1, len(table) - 2)
    return table[at], normals[at]


@lru_cache(maxsize=1)
def _table() -> tuple[Matrix, Matrix, Matrix, Matrix]:
    """Places of the lights, their two coordinates, and the normals there, but for both ends."""
    table = locus(_MIRED, _DUV)
    first, second = np.ascontiguousarray(table.T)
    normals = np.zeros_like(table)
    for at in range(1, len(table) - 1):
        tangent = table[at + 1] - table[at - 1]
        normals[at] = np.array([tangent[1], -tangent[0]]) / np.hypot(*tangent)
    for kept in (table, normals):
        kept.flags.writeable = False  # rows of them are handed out
    return table, first, second, normals
