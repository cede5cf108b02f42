"""The best line through columns of states: each gains, and each jump from one to the next has its price."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.compiled import compiled

Float = NDArray[np.float64]


@compiled("best_line")
def best_line(gain: Float, price: Float, line: NDArray[np.int32]) -> None:
    """Find the state of each column that together gain most, less what their jumps cost.

    Parameters
    ----------
    gain : ndarray of shape (columns, states), dtype float64
        What each state gains.
    price : ndarray of shape (states, states), dtype float64
        What going from a state (first side) to another in the next column costs.
    line : ndarray of shape (turns * columns,), dtype int32
        Takes the states; columns come in turn, as often as there is room. Of equal ways the one from the
        lower state is gone.
    """
    columns, states = gain.shape
    total, every = np.zeros(states), np.arange(states)
    came = np.empty((len(line), states), np.int32)
    by_end = np.ascontiguousarray(price.T)
    for at in range(len(line)):
        choice = total - by_end
        came[at] = choice.argmax(1)
        total = choice[every, came[at]] + gain[at % columns]
    state = int(total.argmax())
    for at in range(len(line) - 1, -1, -1):
        line[at] = state
        state = int(came[at, state])
