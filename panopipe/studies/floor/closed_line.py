"""The best closed line around the nadir, by dynamic programming over directions."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.line import best_line

Float = NDArray[np.floating]
Whole = NDArray[np.int64]


def best_closed_line(gain: Float, bend: Float) -> Whole:
    """Find the state in each column that gains most, less what its jumps cost.

    Parameters
    ----------
    gain : ndarray of shape (states, columns), floating
        What each state gains in each column; the last column's neighbour is the first.
    bend : ndarray of shape (states, states), floating
        What going from one state to another in the next column costs.

    Returns
    -------
    ndarray of shape (columns,), dtype int64
        The state in each column.
    """
    count = gain.shape[1]
    line = np.empty(2 * count, np.int32)  # two turns around, the first to forget where it started
    best_line(np.ascontiguousarray(gain.T, np.float64), np.ascontiguousarray(bend, np.float64), line)
    middle = count // 2
    return np.roll(line[middle : middle + count], middle).astype(np.int64)
