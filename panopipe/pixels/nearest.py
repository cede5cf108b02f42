"""How far points lie from the nearest of some others."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.compiled import compiled

Points = NDArray[np.float32]


@compiled("nearest")
def nearest(points: Points, others: Points, out: Points) -> None:
    """Distance of each point to the nearest of some others.

    Parameters
    ----------
    points : ndarray of shape (n, sides), dtype float32
        Contiguous; up to 8 sides.
    others : ndarray of shape (m, sides), dtype float32
        Contiguous; at least one.
    out : ndarray of shape (n,), dtype float32
        Takes the distances, squares added up from the first side on.
    """
    least = np.full(len(points), np.inf, np.float32)
    for other in others:
        gap = np.square(points - other)
        total = gap[:, 0].copy()
        for side in gap.T[1:]:
            total += side
        np.minimum(least, total, out=least)
    np.sqrt(least, out=out)
