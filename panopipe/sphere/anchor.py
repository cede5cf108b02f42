"""The anchor column: where a frame starts, read from the frame's own content.

A sphere has no first column; a file has one only because something had to come first. A stage that works
on a grid, or whose sums run from left to right, would give slightly other bits for a frame that is merely
turned. So a frame is read from a column that its content names: turned by whole pixels, the same column
of the picture is found, and the stages see the very same array.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

ANCHOR_ROWS = 48
"""How many rows are looked at; any fixed number does, more make chance ties rarer."""


def anchor_rows(height: int) -> list[int]:
    """Rows to give to `anchor_column`, evenly spread between the poles."""
    count = min(height, ANCHOR_ROWS)
    return [(2 * i + 1) * height // (2 * count) for i in range(count)]


def anchor_column(row_samples: Iterable[NDArray[Any]]) -> int:
    """Column at which to start reading, the same point of the picture however the frame is turned.

    Parameters
    ----------
    row_samples : iterable of ndarray of shape (width,) or (width, planes)
        Samples of some rows, finite, as the file holds them (before any arithmetic whose bits might
        depend on the column); the same rows, in the same order, for the turned frame.

    Returns
    -------
    int
        Start of the turn that has the largest sequence of scores; a score is a sum down the column with
        fixed weights, so it moves with the column. Where the scores repeat, the first of equal starts.

    Raises
    ------
    ValueError
        If no row is given.
    """
    scores: NDArray[np.float64] | None = None
    for i, samples in enumerate(row_samples):
        planes = samples.reshape(samples.shape[0], -1)
        for plane in range(planes.shape[1]):
            term = planes[:, plane].astype(np.float64) * _weight(i, plane)
            scores = term if scores is None else scores + term
    if scores is None:
        raise ValueError("no rows to find the anchor column in")
    best = np.flatnonzero(scores == scores.max())
    return int(best[0]) if len(best) == 1 else _largest_turn(scores.tolist())


def _weight(row: int, plane: int) -> float:
    """A whole number between 1 and 1024 that differs from row to row, so that unlike columns do not tie."""
    return float((row * 389 + plane * 613) % 1021 + 1)


def _largest_turn(scores: list[float]) -> int:
    """Start of the lexicographically largest turn of a sequence, in one pass.

    References
    ----------
    .. [1] Y. Shiloach, Fast canonization of circular strings, Journal of Algorithms 2, 1981, pp. 107-121.
    """
    count, first, second, run = len(scores), 0, 1, 0
    while first < count and second < count and run < count:
        a, b = scores[(first + run) % count], scores[(second + run) % count]
        if a == b:
            run += 1
            continue
        if a < b:
            first += run + 1
        else:
            second += run + 1
        second += first == second
        run = 0
    return min(first, second)
