"""Rows for stages that see some rows above and below: each row is fetched and worked on once in a pass."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from panopipe.frame import Rows

ROWS_PER_MARGIN = 8
"""Rows made at a time for each row of margin: a stage then works on at most a quarter as many rows again, and
all that is held for a margin of 22 rows is 1.6 bytes a pixel at 19 megapixels."""
LEAST_ROWS = 64
"""Rows made at a time where the margin is narrow."""

Fetch = Callable[[int, Rows], None]
"""Fills an array with rows from a first one on, as the stages before leave them."""
Make = Callable[[Rows, int], Rows]
"""Makes of rows with their margin the rows without it; the second argument is the first of these."""


class MarginWindow:
    """What one stage with a margin holds in one pass down a frame.

    Parameters
    ----------
    size : tuple of int
        Height and width of the frame.
    margin : int
        Rows the stage sees above and below.
    end : int
        Row that this pass stops at.
    rows_at_once : int
        Rows to make at a time, at least.
    fetch : callable
        Fills in rows as the stages before leave them.
    make : callable
        Lets the stage work.
    """

    def __init__(
        self, size: tuple[int, int], margin: int, end: int, rows_at_once: int, fetch: Fetch, make: Make
    ) -> None:
        self.margin = margin
        self._height, self._width = size
        self._end, self._at_once = end, max(rows_at_once, LEAST_ROWS, ROWS_PER_MARGIN * margin)
        self._fetch, self._make = fetch, make
        self._source = self._made = np.empty((0, self._width, 3), np.float32)
        self._source_first = self._made_first = self._left_from = 0

    def rows(self, first: int, last: int, into: Rows | None = None) -> Rows:
        """Rows `first` to `last` as the stage leaves them, in `into` or in memory of who asked.

        They cost least when they follow those asked for before.
        """
        made = self._ready(first, last)
        if into is None and len(made) == last - first and made.flags.writeable:
            self._left_from = last  # given away as they are: a copy would serve nobody
            return made
        out = np.empty((last - first, self._width, 3), np.float32) if into is None else into
        row = first
        while row < last:
            made = self._ready(row, last)
            out[row - first :][: len(made)] = made
            row += len(made)
        return out

    def _ready(self, first: int, last: int) -> Rows:
        """Rows from `first` on that are made, no further than `last`; read-only if others hold them too."""
        if not self._left_from <= first < self._made_first + len(self._made):
            self._make_from(first, max(last, min(first + self._at_once, self._end)))
        return self._made[first - self._made_first :][: last - first]

    def _make_from(self, first: int, last: int) -> None:
        top = first - self.margin
        source = self._with_margin(top, last + self.margin)
        source.flags.writeable = False  # its last rows are the margin of the rows to come
        self._made, self._made_first = self._make(source, first), first
        self._left_from = first
        self._source, self._source_first = source, top

    def _with_margin(self, first: int, last: int) -> Rows:
        """Rows `first` to `last`, some of which may lie beyond a pole; known ones are not fetched again."""
        rows = np.empty((last - first, self._width, 3), np.float32)
        top, bottom = max(first, 0), min(last, self._height)
        known = min(self._source_first + len(self._source), bottom)
        if self._source_first <= top < known:
            rows[top - first : known - first] = self._source[top - self._source_first :][: known - top]
            top = known
        if top < bottom:
            self._fetch(top, rows[top - first : bottom - first])
        _continue_over_poles(rows, first, self._height)
        return rows


def with_margin(frame: Rows, margin: int) -> Rows:
    """Return a whole frame with `margin` more rows above and below; they cannot be written to."""
    height = len(frame)
    rows = np.empty((height + 2 * margin, *frame.shape[1:]), np.float32)
    rows[margin : margin + height] = frame
    _continue_over_poles(rows, -margin, height)
    rows.flags.writeable = False
    return rows


def _continue_over_poles(rows: Rows, first: int, height: int) -> None:
    """Fill in rows beyond the poles: the ones as far on this side, turned by half the width."""
    last = first + len(rows)
    for row in (*range(first, 0), *range(height, last)):
        mirrored = -1 - row if row < 0 else 2 * height - 1 - row
        rows[row - first] = np.roll(rows[mirrored - first], rows.shape[1] // 2, axis=0)
