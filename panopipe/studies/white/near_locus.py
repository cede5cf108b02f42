"""The line on which lights stand: between the Planckian and the daylight locus, as a table."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from panopipe.colour.spaces import Matrix
from panopipe.studies.white.cones import locus

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
    table = _table()
    at = int(np.clip(np.argmin(np.sum((table - log_chromaticity) ** 2, axis=1)), 1, len(table) - 2))
    tangent = table[at + 1] - table[at - 1]
    normal: Matrix = np.array([tangent[1], -tangent[0]]) / np.hypot(*tangent)
    return table[at], normal, float(_MIRED[at])


@lru_cache(maxsize=1)
def _table() -> Matrix:
    return locus(_MIRED, _DUV)
