"""Rows of a stage with a margin: what is given away belongs to who asked, what is made may be asked anew."""

import numpy as np
import pytest

from panopipe.frame import Rows
from panopipe.pipeline.margin import MarginWindow

HEIGHT, WIDTH, MARGIN = 40, 80, 2
FRAME = np.random.default_rng(4).random((HEIGHT, WIDTH, 3), dtype=np.float32)
WHOLE = np.concatenate(
    [np.roll(FRAME[1::-1], WIDTH // 2, axis=1), FRAME, np.roll(FRAME[:-3:-1], WIDTH // 2, axis=1)]
)
SOFT = np.sum([WHOLE[step : step + HEIGHT] for step in range(5)], axis=0, dtype=np.float32)


def soft(rows: Rows, _: int) -> Rows:
    return np.sum([rows[step : step + len(rows) - 4] for step in range(5)], axis=0, dtype=np.float32)


def fetch(first: int, rows: Rows) -> None:
    rows[:] = FRAME[first : first + len(rows)]


@pytest.mark.parametrize("count", [1, 7, 8, 16, 40])
def test_who_asked_may_change_what_it_was_given(count: int) -> None:
    window = MarginWindow((HEIGHT, WIDTH), MARGIN, HEIGHT, 8, fetch, soft)
    for first in range(0, HEIGHT, count):
        last = min(first + count, HEIGHT)
        rows = window.rows(first, last)
        assert np.array_equal(rows, SOFT[first:last])
        rows[:] = -1


def test_rows_that_were_given_away_are_made_anew() -> None:
    window = MarginWindow((HEIGHT, WIDTH), MARGIN, HEIGHT, 8, fetch, soft)
    for first, last in ((0, 8), (4, 12), (0, 3), (30, 40), (29, 40)):
        rows = window.rows(first, last)
        assert np.array_equal(rows, SOFT[first:last])
        rows[:] = -1


def test_rows_that_others_hold_are_copied() -> None:
    """A stage that changes nothing may give a view of what it was handed, which is the next rows' margin."""
    window = MarginWindow((HEIGHT, WIDTH), MARGIN, HEIGHT, 8, fetch, lambda rows, _: rows[2:-2])
    for first in range(0, HEIGHT, 8):
        rows = window.rows(first, first + 8)
        assert np.array_equal(rows, FRAME[first : first + 8])
        rows[:] = -1
