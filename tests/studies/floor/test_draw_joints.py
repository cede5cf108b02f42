"""Joints drawn through a filled hole: whole where the copied floor broke them, none where it shows none."""

from __future__ import annotations

import numpy as np

from panopipe.studies.floor.draw_joints import with_joints
from panopipe.studies.floor.joints import Course
from panopipe.studies.floor.scene import Scene, Sides

SIZE, RADIUS, DEPTH = 161, 30.0, 0.8
MIDDLE = SIZE // 2
Picture = np.ndarray


def _lined(at: float) -> Picture:
    """An even floor with a dark joint three pixels wide, upright at a column."""
    line = -DEPTH * np.clip(2 - np.abs(np.arange(SIZE) - at), 0, 1)
    return np.repeat(np.broadcast_to(line, (SIZE, SIZE))[..., None], 3, -1).astype(np.float32)


def _scene(floor: Picture, sides: Sides | None = None) -> Scene:
    rows, columns = np.indices((SIZE, SIZE)) - MIDDLE
    hole = np.hypot(rows, columns) < RADIUS
    return Scene(floor, ~hole, hole, sides)


def _course(at: float, parted: float = 0.0) -> Course:
    ends = (MIDDLE - RADIUS - 1, at), (MIDDLE + RADIUS + 1, at)
    return Course(*ends, through=True, contrast=-DEPTH, parted=parted)


def _drawn(
    floor: Picture, copied: Picture, sides: Sides | None = None, *, parted: float = 0.0
) -> tuple[Picture, Scene]:
    """What becomes of a hole in one floor that is filled with another."""
    scene = _scene(floor, sides)
    filled = np.where(scene.hole[..., None], copied, floor)
    return with_joints(scene, filled, [_course(MIDDLE, parted)], 1, RADIUS), scene


def test_a_joint_that_is_aside_and_interrupted_becomes_whole() -> None:
    floor, copied = _lined(MIDDLE), _lined(MIDDLE + 1.5)
    copied[MIDDLE - 6 : MIDDLE + 6] = 0
    drawn, scene = _drawn(floor, copied)
    before, after = (np.abs(one - floor)[scene.hole].mean() for one in (copied, drawn))
    assert after < before / 4
    np.testing.assert_array_equal(drawn[~scene.hole], floor[~scene.hole])


def test_no_joint_is_drawn_where_floor_around_and_copied_floor_show_none() -> None:
    """Blocks of parquet have joints in line, and other blocks between them."""
    copied = _lined(MIDDLE)
    copied[MIDDLE - 20 : MIDDLE + 20] = 0
    drawn, scene = _drawn(_lined(MIDDLE), copied, parted=40.0)
    np.testing.assert_array_equal(drawn[scene.hole], copied[scene.hole])


def test_a_joint_that_is_whole_outside_is_drawn_where_the_copied_floor_has_most_of_it_elsewhere() -> None:
    floor, copied = _lined(MIDDLE), _lined(MIDDLE)
    copied[MIDDLE - 14 : MIDDLE + 14] = 0
    drawn, scene = _drawn(floor, copied)
    np.testing.assert_allclose(drawn[scene.hole], floor[scene.hole], atol=0.1 * DEPTH)


def test_a_joint_keeps_off_the_other_floor() -> None:
    floor, copied = _lined(MIDDLE), _lined(MIDDLE + 1.5)
    rows = np.indices((SIZE, SIZE))[0]
    below = (MIDDLE + 10.0 - rows).astype(np.float32)
    sides = Sides(below, (-2.0, 2.0), 1.2)
    drawn, scene = _drawn(floor, copied, sides)
    other = scene.hole & (below < 2)
    np.testing.assert_array_equal(drawn[other], copied[other])
    assert np.abs(drawn - floor)[scene.hole & ~other].mean() < 0.5 * np.abs(copied - floor)[scene.hole].mean()


def test_two_joints_that_cross_are_no_darker_there() -> None:
    floor = np.minimum(_lined(MIDDLE), _lined(MIDDLE).transpose(1, 0, 2))
    copied = np.minimum(_lined(MIDDLE + 1.0), _lined(MIDDLE + 1.0).transpose(1, 0, 2))
    scene = _scene(floor)
    filled = np.where(scene.hole[..., None], copied, floor)
    across = Course(
        (MIDDLE, MIDDLE - RADIUS - 1), (MIDDLE, MIDDLE + RADIUS + 1), through=True, contrast=-DEPTH
    )
    drawn = with_joints(scene, filled, [_course(MIDDLE), across], 1, RADIUS)
    assert drawn.min() > -1.1 * DEPTH
    assert np.abs(drawn - floor)[scene.hole].mean() < 0.5 * np.abs(copied - floor)[scene.hole].mean()
