"""Butts of which nothing shows are drawn where the rule of a floor's laying puts them, and nowhere else."""

import numpy as np
import pytest

from panopipe.studies.floor.butts import with_butts
from panopipe.studies.floor.joints import Course
from panopipe.studies.floor.scene import Scene, Sides

SIDE, BROAD, FOOT, HOLE = 400, 20, 38, 48
MIDDLE = SIDE // BROAD // 2
GAPS = tuple(
    Course((row, 140.0), (row, 260.0), True, -0.5) for row in np.arange(160, 241, BROAD, dtype=float)
)


def boards(butts):
    """Log light of boards along the rows, with gaps three pixels broad and butts of (board, column)."""
    grain = np.random.default_rng(2).normal(0, 0.02, (SIDE, SIDE, 1))
    floor = np.repeat(grain, 3, -1).astype(np.float32)
    rows = np.arange(SIDE)
    floor[np.abs((rows + BROAD / 2) % BROAD - BROAD / 2) < 1.5] -= 0.5
    for board, column in butts:
        floor[board * BROAD + 2 : (board + 1) * BROAD - 1, column : column + 2] -= 0.5
    return floor


def drawn(butts, sides=None):
    """Butts drawn over a hole in a floor, whose copied floor shows none."""
    away = np.hypot(*np.meshgrid(np.arange(SIDE) - 199.5, np.arange(SIDE) - 199.5))
    hole, shown = away < HOLE, away >= FOOT
    seen = boards(butts)
    before = np.where(hole[..., None], boards([]), seen)
    seen = np.where(shown[..., None], seen, np.float32(1))
    return before, with_butts(Scene(before, ~hole, hole, sides), before, seen, shown, GAPS, 1)


def depth(picture, board, column):
    return -picture[board * BROAD + 4 : (board + 1) * BROAD - 4, column : column + 2].mean()


def thirds(length=90, start=20):
    """Each board begins a third of a length after the one before it."""
    return [
        (board, column)
        for board in range(SIDE // BROAD)
        for column in range(start + (board % 3) * length // 3, SIDE - 4, length)
    ]


def test_a_hidden_butt_of_every_third_board_in_line_is_drawn() -> None:
    butts = [(board, 205) for board in range(MIDDLE % 3, SIDE // BROAD, 3)]
    before, after = drawn(butts)
    assert depth(before, MIDDLE, 205) == pytest.approx(0, abs=0.05)
    assert depth(after, MIDDLE, 205) == pytest.approx(0.5, abs=0.05)
    beside = [board * BROAD + row for board in (8, 9, 11, 12) for row in range(BROAD)]
    assert np.array_equal(after[beside], before[beside])


def test_a_hidden_butt_of_boards_laid_in_thirds_is_drawn() -> None:
    hidden = [(board, column) for board, column in thirds() if abs(board - MIDDLE) < 2 and 180 < column < 220]
    before, after = drawn(thirds())
    assert hidden
    for butt in hidden:
        assert depth(before, *butt) == pytest.approx(0, abs=0.05)
        assert depth(after, *butt) == pytest.approx(0.5, abs=0.05)


def test_boards_laid_at_random_tell_of_no_hidden_butt() -> None:
    for seed in range(8):
        rng = np.random.default_rng(seed)
        butts = [(board, int(start)) for board, start in enumerate(rng.uniform(4, 394, SIDE // BROAD))]
        seen = [at for at in butts if np.hypot(at[0] * BROAD + 10 - 199.5, at[1] - 199.5) > HOLE + 12]
        before, after = drawn(seen)
        assert after is before


def test_a_whole_board_where_a_rule_wants_a_butt_speaks_against_it() -> None:
    before, after = drawn([(board, 205) for board in (1, 4, 16, 19)])
    assert after is before


def test_on_another_floor_the_rule_is_not_followed() -> None:
    """Half of the middle board lies on the other floor, of which it is drawn on its own half only."""
    rows = np.arange(SIDE, dtype=np.float32)[:, None].repeat(SIDE, 1)
    edge = Sides(MIDDLE * BROAD + BROAD / 2 - rows, (-2.0, 2.0), 1.0)
    before, after = drawn([(board, 205) for board in range(MIDDLE % 3, MIDDLE + 1, 3)], edge)
    assert np.array_equal(after[MIDDLE * BROAD + 13 :], before[MIDDLE * BROAD + 13 :])
