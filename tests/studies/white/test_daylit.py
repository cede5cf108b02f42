"""Reveals in daylight on a wall in lamplight: told by brightness and coldness, finer than the field."""

import numpy as np
import pytest

from panopipe.colour.spaces import LUMINANCE_OF_WORKING
from panopipe.studies.white.cones import WORKING_FROM_CONES
from panopipe.studies.white.daylit import TIMES, with_daylit

WHITE = np.array([0.1, -0.2])
DAY = np.array([-0.06, 0.5])
"""Against the frame's white, which is that of the lamp."""
VIEW, REVEAL, LAMP, WALL = (
    np.s_[112:140, 240:272],
    np.s_[140:143, 236:276],
    np.s_[150:160, 230:236],
    (100, 250),
)


def coloured(place: np.ndarray, luminance: float) -> np.ndarray:
    light = WORKING_FROM_CONES @ np.array([np.exp(place[0]), 1, np.exp(place[1])])
    return (luminance * light / (light @ LUMINANCE_OF_WORKING)).astype(np.float32)


def room() -> tuple[np.ndarray, np.ndarray]:
    """Field and rows: a lamp-lit wall, a view, its sill in daylight and a lamp before it."""
    field = np.zeros((64, 128, 2))
    field[28:35, 60:68] = DAY
    rows = np.empty((256, 512, 3), np.float32)
    rows[:] = coloured(WHITE, 0.1)
    rows[VIEW], rows[REVEAL], rows[LAMP] = (
        coloured(WHITE + DAY, 3),
        coloured(WHITE + DAY, 0.5),
        coloured(WHITE, 4),
    )
    return field, rows


def test_a_sill_has_the_light_of_the_day_and_the_wall_that_of_the_lamp() -> None:
    found = with_daylit(*room(), WHITE)
    assert found.shape == (256, 512, 2)
    assert np.allclose(found[REVEAL][1, 2:-2], DAY, atol=0.02)
    assert np.allclose(found[WALL], 0)
    assert np.allclose(found[LAMP], 0, atol=0.02)


def test_paint_in_both_lights_becomes_white() -> None:
    field, rows = room()
    rows[REVEAL] = coloured(WHITE + DAY / 2, 0.5)
    assert np.allclose(with_daylit(field, rows, WHITE)[REVEAL][1, 4:-4], DAY / 2, atol=0.02)


@pytest.mark.parametrize("cells", [5, 64, 100])
def test_it_turns_with_the_frame(cells: int) -> None:
    field, rows = room()
    turned = with_daylit(np.roll(field, cells, axis=1), np.roll(rows, cells * TIMES, axis=1), WHITE)
    assert np.allclose(turned, np.roll(with_daylit(field, rows, WHITE), cells * TIMES, axis=1))


def test_one_light_stays_as_it_is() -> None:
    _, rows = room()
    field = np.full((64, 128, 2), 0.03)
    assert with_daylit(field, rows, WHITE) is field
