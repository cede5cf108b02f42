"""How far points lie from the nearest of some others, and which row of a table is nearest to each place."""

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


@compiled("nearest_row")
def nearest_row(places: NDArray[np.float64], table: NDArray[np.float64], rows: NDArray[np.int32]) -> None:
    """Find the row of a table of places that is nearest to each of some places; the first of equals.

    Parameters
    ----------
    places : ndarray of shape (n, 2), dtype float64
        Contiguous.
    table : ndarray of shape (m, 2), dtype float64
        Contiguous; at least one row.
    rows : ndarray of shape (n,), dtype int32
        Takes the rows.
    """
    for start in range(0, len(rows), _AT_ONCE):
        some = places[start : start + _AT_ONCE]
        gaps = (some[:, :1] - table[:, 0]) ** 2
        gaps += (some[:, 1:] - table[:, 1]) ** 2
        rows[start : start + _AT_ONCE] = np.argmin(gaps, axis=1)


_AT_ONCE = 512
"""Places compared with a table at once: their differences stay in a processor's cache."""
