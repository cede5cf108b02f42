"""What may be white paint: boards are none, unless a room shows so much paint that nothing hangs on them."""

import numpy as np
import pytest

from panopipe.colour.spaces import LUMINANCE_OF_WORKING
from panopipe.studies.white.cones import log_chromaticity_from_working
from panopipe.studies.white.surfaces import Surfaces, area, surfaces_of

LIGHT, GREEN = np.array([1.0, 0.9, 0.7]), np.array([0.8, 1.1, 0.8])
LIGHT_AT = log_chromaticity_from_working(LIGHT)
RAIL = np.s_[37]
CEILING, DOOR, WALLS = np.s_[:18], np.s_[28:40, 60:64], np.s_[24:44, :50]
"""Rows and columns of cells, their rims left out."""


def room(walls: float) -> Surfaces:
    """Boards above, a white door and rail on walls of a luminance, greenish, a dark floor."""
    boards = 0.06 * np.sign(np.sin(np.arange(512) * 2 * np.pi / 6))  # 2 degrees wide, 6 % lighter or darker
    rows = np.empty((256, 512), np.float32)
    rows[:80] = 0.3 * np.exp(boards)
    rows[80:180], rows[180:] = walls, 0.02
    rows[108:164, 236:260] = 0.3
    picture = rows[..., None] * LIGHT / (LIGHT @ LUMINANCE_OF_WORKING)
    picture[80:180][rows[80:180] == walls] *= GREEN
    picture[148:150] = 0.3 * LIGHT / (LIGHT @ LUMINANCE_OF_WORKING)
    return surfaces_of(picture.astype(np.float32))


def heard(seen: Surfaces, cells: tuple[slice, ...] | slice) -> float:
    return float(np.average(seen.trust[cells], weights=area()[cells]))


def test_a_rail_narrower_than_a_cell_tells_its_light_where_walls_are_coloured() -> None:
    seen = room(walls=0.06)
    assert np.allclose(seen.log_chromaticity[RAIL], LIGHT_AT, atol=1e-6)
    assert seen.trust[RAIL].min() > 0.5


def test_boards_are_hardly_paint_where_walls_are_coloured() -> None:
    seen = room(walls=0.06)
    assert heard(seen, CEILING) < 0.1 * heard(seen, DOOR)


def test_boards_change_nothing_where_walls_are_white() -> None:
    seen = room(walls=0.3)
    assert heard(seen, CEILING) > 0.5 * heard(seen, WALLS)


@pytest.mark.parametrize("cells", [9, 64])
def test_trust_turns_with_the_frame(cells: int) -> None:
    rng = np.random.default_rng(5)
    rows = (0.3 * np.exp(rng.normal(0, 0.02, (256, 512, 1))) * np.ones(3)).astype(np.float32)
    rows[60:] *= 0.1
    seen, turned = surfaces_of(rows), surfaces_of(np.roll(rows, 4 * cells, axis=1))
    np.testing.assert_allclose(turned.trust, np.roll(seen.trust, cells, axis=1), atol=1e-4)
