"""A joint that the floor around carries through a hole must show in it, unless it is as broken outside."""

import numpy as np
import pytest

from panopipe.studies.floor.broken import broken_joint

SIZE, RADIUS = 240, 32.0
DOWN, ACROSS = np.indices((SIZE, SIZE)) - SIZE / 2
HOLE = np.hypot(DOWN, ACROSS) < RADIUS
EVERYWHERE = np.ones_like(HOLE)


def joints(off, present=EVERYWHERE):
    """Log light of a floor with a dark joint every 40 pixels, where it is present."""
    noise = 0.01 * np.random.default_rng(5).standard_normal(off.shape)
    joint = np.abs((off - 3) % 40 - 20) < 1
    return (noise - 0.4 * (joint & present)).astype(np.float32)


def test_whole_joints_are_not_broken():
    assert broken_joint(joints(DOWN), HOLE, RADIUS, None)[0] == 0


def test_a_half_moved_aside_is_found_there():
    moved = np.where(HOLE & (ACROSS < 0), joints(DOWN + 12), joints(DOWN))
    size, row, column = broken_joint(moved, HOLE, RADIUS, None)
    # The nearest joint passes 17 pixels from the middle: half its way in the hole is 27.1 long.
    assert size == pytest.approx(np.sqrt(RADIUS**2 - 17**2) / RADIUS, abs=0.15)
    assert abs(row - SIZE / 2) == pytest.approx(17, abs=2)
    assert SIZE / 2 - RADIUS < column < SIZE / 2


def test_one_that_is_parted_as_far_outside_the_hole_is_none():
    """A joint of blocks shows on both sides of the hole, as a part of a line that blocks part."""
    parts = ~HOLE & (np.abs(ACROSS) < 2.0 * RADIUS)
    assert broken_joint(joints(DOWN, parts), HOLE, RADIUS, None)[0] < 0.3
    assert broken_joint(joints(DOWN, ~HOLE), HOLE, RADIUS, None)[0] > 1


def test_one_that_stops_short_of_another_floor_is_found():
    """The other floor begins amid the hole, at the tenth column right of its middle."""
    here = ACROSS < 10
    distance = 10 - ACROSS
    whole, short = joints(DOWN, here), joints(DOWN, here & (~HOLE | (ACROSS < -10)))
    assert broken_joint(whole, HOLE, RADIUS, distance)[0] < 0.1
    assert broken_joint(short, HOLE, RADIUS, distance)[0] == pytest.approx(20 / RADIUS, abs=0.15)
