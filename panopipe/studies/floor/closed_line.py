"""The best closed line around the nadir, by dynamic programming over directions."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

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
    states, count = gain.shape
    # Two turns around, the first to forget where it started.
    total, came, every = np.zeros(states), [], np.arange(states)
    price, gains = np.ascontiguousarray(bend.T), np.ascontiguousarray(gain.T)
    for column in range(2 * count):
        choice = total - price
        best = choice.argmax(1)
        came.append(best)
        total = choice[every, best] + gains[column % count]
    state = int(total.argmax())
    line = np.zeros(2 * count, np.int64)
    for at in range(2 * count - 1, -1, -1):
        line[at] = state
        state = int(came[at][state])
    middle = count // 2
    return np.roll(line[middle : middle + count], middle)
