"""White things narrower than the field of light: reveals on a wall in lamplight, frames on teal."""

import numpy as np
import pytest

from panopipe.colour.spaces import LUMINANCE_OF_WORKING
from panopipe.studies.white.cones import WORKING_FROM_CONES, locus
from panopipe.studies.white.contrast import TIMES
from panopipe.studies.white.trim import with_trim

WHITE = np.array([0.1, -0.2])
DAY = np.subtract(*locus([1e6 / 6500, 1e6 / 3600]))
"""Against the frame's white, which is that of the lamp."""
TEAL, WOOD = np.array([-0.35, -0.05]), -0.6 * DAY
"""What they add to the light; wood lies on the way from day to lamp, as most warm things do."""
VIEW, REVEAL, LAMP, WALL = (
    np.s_[112:140, 240:272],
    np.s_[140:143, 236:276],
    np.s_[150:160, 230:236],
    (100, 250),
)
FRAME, BOARD, HOUSE = np.s_[120:122, 100:130], np.s_[130:134, 100:130], np.s_[120:132, 250:262]
AROUND, TABLE = np.s_[70:190, 45:185], np.s_[110:150, 85:145]


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
    found = with_trim(*room(), WHITE)
    assert found.shape == (256, 512, 2)
    assert np.allclose(found[REVEAL][1, 2:-2], DAY, atol=0.02)
    assert np.allclose(found[WALL], 0)
    assert np.allclose(found[LAMP], 0, atol=0.02)


def test_paint_in_both_lights_becomes_white() -> None:
    field, rows = room()
    rows[REVEAL] = coloured(WHITE + DAY / 2, 0.5)
    assert np.allclose(with_trim(field, rows, WHITE)[REVEAL][1, 4:-4], DAY / 2, atol=0.02)


@pytest.mark.parametrize("cells", [5, 64, 100])
def test_it_turns_with_the_frame(cells: int) -> None:
    field, rows = room()
    turned = with_trim(np.roll(field, cells, axis=1), np.roll(rows, cells * TIMES, axis=1), WHITE)
    assert np.allclose(turned, np.roll(with_trim(field, rows, WHITE), cells * TIMES, axis=1))


def test_a_light_wall_above_a_dark_counter_keeps_its_colour() -> None:
    field, rows = np.zeros((64, 128, 2)), np.empty((256, 512, 3), np.float32)
    field[28:35, 60:68] = DAY
    rows[:] = coloured(WHITE + WOOD / 3, 0.5)
    rows[132:144, 100:180] = coloured(WHITE, 0.02)
    assert np.allclose(with_trim(field, rows, WHITE)[110:132, 100:180], 0, atol=0.01)


def test_one_light_stays_as_it_is() -> None:
    _, rows = room()
    field = np.full((64, 128, 2), 0.03)
    assert with_trim(field, rows, WHITE) is field


def teal_room(light: np.ndarray) -> np.ndarray:
    """A wall of teal under a light, a white frame on it and a wooden board as dark as the wall."""
    rows = np.empty((256, 512, 3), np.float32)
    rows[:] = coloured(WHITE + light + TEAL, 0.1)
    rows[FRAME], rows[BOARD] = coloured(WHITE + light, 0.4), coloured(WHITE + light + WOOD, 0.1)
    return rows


@pytest.mark.parametrize("share", [0.0, 0.5, 1.0])
def test_a_frame_on_a_coloured_wall_is_white_in_any_light_of_the_room(share: float) -> None:
    field, _ = room()  # says lamp, but for the window
    found = with_trim(field, teal_room(share * DAY), WHITE)
    assert np.allclose(found[FRAME], share * DAY, atol=0.02)


def test_wall_and_wood_keep_their_colour() -> None:
    field, _ = room()
    found = with_trim(field, teal_room(0 * DAY), WHITE)
    assert np.allclose(found[WALL], 0)
    assert np.allclose(found[BOARD], 0, atol=0.02)


def test_a_white_thing_is_lit_by_no_light_that_the_room_does_not_have() -> None:
    field, _ = room()
    found = with_trim(field, teal_room(2 * DAY), WHITE)
    assert np.allclose(found[FRAME], DAY, atol=0.05)


def test_a_house_in_the_evening_sun_before_the_window_keeps_its_colour() -> None:
    field, rows = room()
    rows[VIEW] = coloured(WHITE + DAY + WOOD, 3)
    assert np.allclose(with_trim(field, rows, WHITE)[HOUSE], DAY, atol=0.02)


def test_what_is_dimmer_than_white_things_beside_it_hears_of_its_own_light_by_half() -> None:
    field, rows = room()
    rows[AROUND], rows[TABLE] = coloured(WHITE, 0.4), coloured(WHITE, 0.02)
    rows[FRAME], rows[BOARD] = coloured(WHITE + DAY, 0.09), coloured(WHITE - 0.1 * DAY, 0.09)
    found = with_trim(field, rows, WHITE)
    assert 0.3 < np.median(found[FRAME] / DAY) < 0.6
    assert 0.3 < np.median(found[BOARD] / (-0.1 * DAY)) < 0.6
