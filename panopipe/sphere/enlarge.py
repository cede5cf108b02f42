"""A frame that arrives in bands, at twice its size."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.enlarge import MARGIN, enlarge

Rows = NDArray[np.float32]

_ROWS = 4 * MARGIN
"""Rows to wait for: what the margin costs twice falls to half."""


class Doubler:
    """Enlarges a frame while its rows pass by; at the seam and over the poles it goes on as the sphere does.

    The same bits come out however the rows are cut into bands, and a turn of the frame turns them.

    Parameters
    ----------
    height : int
        Rows of the frame, at least `MARGIN`; it is twice as wide.
    """

    def __init__(self, height: int) -> None:
        self._height, self._next = height, 0
        self._held = np.empty((0, 2 * height, 3), np.float32)

    def take(self, rows: Rows, first: int) -> Iterator[tuple[Rows, int]]:
        """Take rows of shape (n, width, 3) that follow the ones taken before.

        Yields
        ------
        tuple of ndarray of shape (2 m, 2 width, 3), dtype float32, and int
            Enlarged rows that follow those before, and which the first of them is.
        """
        if not len(rows):
            return
        last = first + len(rows)
        self._held = np.concatenate([self._held, rows])
        if first < MARGIN <= last:
            self._held = np.concatenate([_beyond_pole(self._held[:MARGIN]), self._held])
        if last == self._height:
            self._held = np.concatenate([self._held, _beyond_pole(self._held[-MARGIN:])])
        count = len(self._held) - 2 * MARGIN
        if last < MARGIN or (count < _ROWS and last < self._height):
            return
        out = np.empty((2 * count, 2 * self._held.shape[1], 3), np.float32)
        enlarge(np.ascontiguousarray(self._held), out)
        self._held = self._held[count:]
        yield out, 2 * self._next
        self._next += count


def _beyond_pole(rows: Rows) -> Rows:
    return np.roll(rows[::-1], rows.shape[1] // 2, axis=1)
