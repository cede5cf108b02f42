"""Butts of boards are drawn from gap to gap where part of them shows beside the foot."""

import numpy as np
import pytest

from panopipe.studies.floor.butts import with_butts
from panopipe.studies.floor.joints import Course
from panopipe.studies.floor.scene import Scene, Sides

SIDE, BROAD, AT = 240, 30, 130
GAPS = tuple(
    Course((row, 60.0), (row, 180.0), True, -0.5) for row in np.arange(BROAD, SIDE, BROAD, dtype=float)[1:-1]
)
LONE = Course((40.0, 20.0), (200.0, 220.0), True, -0.5)


def boards(butts, depth=0.6):
    """Log light of boards along the rows, with gaps two pixels broad and butts of (board, column)."""
    grain = np.random.default_rng(2).normal(0, 0.02, (SIDE, SIDE, 1))
    floor = np.repeat(grain, 3, -1).astype(np.float32)
    rows = np.arange(SIDE)
    floor[np.abs((rows + BROAD / 2) % BROAD - BROAD / 2) < 1.5] -= 0.5
    for board, column in butts:
        floor[board * BROAD + 2 : (board + 1) * BROAD - 1, column : column + 2] -= depth
    return floor


def drawn(filled, seen, courses, sides=None):
    """Butts drawn over a hole of 62 px, of which the foot hides 49, from a picture without the hole's."""
    away = np.hypot(*np.meshgrid(np.arange(SIDE) - 119.5, np.arange(SIDE) - 119.5))
    hole, shown = away < 62, away >= 49
    before = np.where(hole[..., None], filled, seen)
    seen = np.where(shown[..., None], seen, np.float32(1))
    after = with_butts(Scene(before, ~hole, hole, sides), before, seen, shown, courses, 1)
    return before, after, hole


def test_a_butt_that_shows_in_part_is_drawn_from_gap_to_gap() -> None:
    """Of the board from row 60 on the hole hides all there, the foot all but ten rows."""
    before, after, hole = drawn(boards([]), boards([(2, AT)]), GAPS)
    assert after[65:85, AT : AT + 2].mean() == pytest.approx(-0.6, abs=0.05)
    other = np.ones((SIDE, SIDE), np.bool_)
    other[58:92, AT - 5 : AT + 7] = False
    assert np.array_equal(after[other | ~hole], before[other | ~hole])


def test_a_long_joint_of_its_own_direction_is_no_board() -> None:
    before, after, _ = drawn(boards([]), boards([(2, AT)]), (*GAPS[:3], LONE))
    assert after is not before


def test_boards_without_butts_stay_as_they_are() -> None:
    before, after, _ = drawn(boards([]), boards([]), GAPS)
    assert after is before


@pytest.mark.parametrize("depth", [0.15, 1.5])
def test_what_takes_more_or_less_light_than_gaps_is_no_butt(depth: float) -> None:
    before, after, _ = drawn(boards([]), boards([(2, AT)], depth), GAPS)
    assert after is before


def test_a_joint_that_runs_through_is_no_butt() -> None:
    """Rows of tiles are no boards: their cross joints are drawn already, maybe a pixel aside."""
    across = Course((60.0, AT + 2.0), (180.0, AT + 2.0), True, -0.5)
    before, after, _ = drawn(boards([]), boards([(board, AT) for board in range(8)]), (*GAPS, across))
    assert after is before


def test_a_butt_ends_where_another_floor_begins() -> None:
    edge = Sides((75 - np.arange(SIDE, dtype=np.float32))[:, None].repeat(SIDE, 1), (-2.0, 2.0), 1.0)
    before, after, _ = drawn(boards([]), boards([(2, AT)]), GAPS, edge)
    assert after[62:72, AT : AT + 2].mean() == pytest.approx(-0.6, abs=0.05)
    assert np.array_equal(after[73:], before[73:])


@pytest.mark.parametrize("courses", [(), GAPS[:1], (GAPS[0], LONE)])
def test_without_gaps_there_are_no_boards(courses: tuple[Course, ...]) -> None:
    before, after, _ = drawn(boards([]), boards([(2, AT)]), courses)
    assert after is before
