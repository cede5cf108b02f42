"""Joints that end at a hole: where they run on in it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from panopipe.studies.floor.joints import Joints, joints_in

SIZE, RADIUS = 181, 26.0


def _floor(angle_deg: float, spacing: float) -> np.ndarray:
    """Boards with dark gaps two pixels wide, one through the middle."""
    rows, columns = np.indices((SIZE, SIZE)) - SIZE // 2
    angle = math.radians(angle_deg)
    aside = np.cos(angle) * rows - np.sin(angle) * columns
    off = np.abs((aside + spacing / 2) % spacing - spacing / 2)
    return (-np.clip(1.5 - off, 0, 1)).astype(np.float32)


def _hole() -> np.ndarray:
    rows, columns = np.indices((SIZE, SIZE)) - SIZE // 2
    return np.hypot(rows, columns) < RADIUS


def _found(luma: np.ndarray, distance: np.ndarray | None = None) -> Joints:
    hole = _hole()
    return joints_in(np.where(hole, 0, luma).astype(np.float32), ~hole, hole, RADIUS, distance)


@pytest.mark.parametrize("angle_deg", [0.0, 23.0, 90.0, 141.0])
def test_a_gap_between_boards_runs_through_the_hole(angle_deg: float) -> None:
    """To a pixel of where it lies, in whatever direction."""
    luma = _floor(angle_deg, 20)
    joints = _found(luma)
    sure = joints.worth > 0.9
    shown = luma[np.rint(joints.rows[sure]).astype(int), np.rint(joints.columns[sure]).astype(int)]
    assert sure.sum() > 2.5 * RADIUS  # three gaps cross the hole
    assert np.mean(shown < -0.2) > 0.95


def test_a_shift_by_the_spacing_keeps_joints_and_half_of_it_breaks_them() -> None:
    joints = _found(_floor(0.0, 20))
    _, _, broken = joints.broken(np.array([[60, 0], [70, 0]]))
    assert broken[0].mean() < 0.05
    assert broken[1].mean() > 0.9 * joints.worth.mean()


def test_a_butt_ends_at_the_next_gap() -> None:
    """A butt that reaches the hole between two gaps does not run on into the next board."""
    luma = _floor(0.0, 40)
    middle = SIZE // 2
    luma[middle - 60 : middle - 20, middle - 1 : middle + 1] = -1
    luma[middle - 20 : middle, middle - 1 : middle + 1] = -1
    joints = _found(luma)
    upright = np.abs(joints.normals[:, 1]) > 0.9
    assert upright.any()
    assert joints.rows[upright].max() < middle + 2


def test_no_line_runs_on_into_other_floor() -> None:
    columns = np.indices((SIZE, SIZE))[1] - SIZE // 2
    luma = np.where(columns < 0, _floor(0.0, 20), 0).astype(np.float32)
    joints = _found(luma, columns.astype(np.float32))
    assert joints.rows.size
    assert joints.columns.max() < SIZE // 2


def test_even_floor_has_no_joints() -> None:
    rng = np.random.default_rng(3)
    assert _found(rng.normal(0, 0.02, (SIZE, SIZE)).astype(np.float32)).rows.size == 0
