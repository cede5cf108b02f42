"""A ring map as cells of the plane: places are right, and a pattern's covariance is one."""

import numpy as np
import pytest

from panopipe.studies.floor.cells import cells_of, covariance

STEP_DEG = 0.5


def drawn(of_place):
    """Cells of a ring map that holds a function of right and forward, in camera heights."""
    angle = np.radians((np.arange(64) + 0.5) * STEP_DEG)[:, None]
    yaw = (np.arange(128) + 0.5) * (2 * np.pi / 128)
    value = of_place(np.tan(angle) * np.sin(yaw), np.tan(angle) * np.cos(yaw))
    return cells_of(
        value[..., None].astype(np.float32), STEP_DEG, np.full(128, 8.0), from_deg=1, unit_deg=8, side=0.2
    )


@pytest.mark.parametrize("part", [0, 1])
def test_cells_lie_where_they_say(part):
    cells = drawn(lambda x, y: (x, y)[part])
    wanted = (cells.x, cells.y)[part] * np.tan(np.radians(8))
    # A cell's corner lies .02 camera heights from its middle: those at the map's end show less than a cell.
    inside = cells.known & (np.hypot(cells.x, cells.y) * np.tan(np.radians(8)) < np.tan(np.radians(30)))
    # Chords between columns 2.8 degrees apart pass inside a circle of radius .62 (32 degrees) by
    # 1 - cos(1.4 degrees) of it, 2e-4; OpenCV rounds a place to a 32nd of a column, half of which is 5e-4.
    assert np.allclose(cells.values[inside].ravel(), wanted[inside], atol=7e-4)


def test_floor_begins_where_it_is_said():
    cells = drawn(lambda x, y: x)
    angle = np.degrees(np.arctan(np.hypot(cells.x, cells.y) * np.tan(np.radians(8))))
    assert not cells.known[angle < 9].any()
    assert cells.known[(angle > 9) & (angle < 31.5)].all()


def test_the_covariance_of_a_pattern_ties_cells_along_its_boards_and_is_never_indefinite():
    rng = np.random.default_rng(4)
    known = np.hypot(*np.mgrid[-19.5:20, -19.5:20]) > 6
    boards = np.where(known, np.repeat(rng.standard_normal(20), 2)[:, None], 0)
    used = known & (np.hypot(*np.mgrid[-19.5:20, -19.5:20]) < 14)
    shared = covariance(boards, used, known)
    rows, columns = np.nonzero(used)
    one = np.flatnonzero((rows == 8) & (columns == 20))[0]
    along = np.flatnonzero((rows == 8) & (columns == 26))[0]
    aside = np.flatnonzero((rows == 12) & (columns == 20))[0]
    assert np.allclose(shared, shared.T)
    assert np.linalg.eigvalsh(shared).min() > 0
    assert shared[one, along] > 0.5 * boards[known].var()
    assert shared[one, along] > 2 * abs(shared[one, aside])
