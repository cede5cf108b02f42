"""Patches of sun on a floor: boards of wood, a grey card, the panes' shadows; and what only looks like them.

Sun of 5200 K, 10 to 30 times as bright as the room around it: common practice, no source.
"""

import numpy as np
import pytest

from panopipe.colour.spaces import D65_XY, LUMINANCE_OF_WORKING
from panopipe.studies.white.cones import WORKING_FROM_CONES, camera_log_chromaticity, locus
from panopipe.studies.white.contrast import TIMES, finer
from panopipe.studies.white.sunlit import with_sun

CAMERA = camera_log_chromaticity(D65_XY)
SUN, SKY, LAMP = locus([1e6 / 5200, 1e6 / 6500, 1e6 / 2900], [0.002, 0.002, 0]) - np.array(CAMERA)
WHITE = SKY + 0.6 * (LAMP - SKY)
"""Place of the frame's white: the room is lit by both."""
WOOD = 0.35 * (LAMP - SKY)
VIEW, PATCH, CARD = np.s_[112:140, 240:272], np.s_[176:216, 60:140], np.s_[190:198, 90:102]
WALLS, FLOOR, LIT = 0.1, 0.04, 0.9


def coloured(place: np.ndarray, luminance: float) -> np.ndarray:
    light = WORKING_FROM_CONES @ np.array([np.exp(place[0]), 1, np.exp(place[1])])
    return (luminance * light / (light @ LUMINANCE_OF_WORKING)).astype(np.float32)


def room(patch: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Field and rows: walls in mixed light, lamplight on one side, a view, a floor with a patch of sun."""
    field = np.zeros((64, 128, 2))
    field[28:35, 60:68] = SKY - WHITE
    field[:, 100:120] = LAMP - WHITE
    rows = np.empty((256, 512, 3), np.float32)
    rows[:] = coloured(WHITE, WALLS)
    rows[:, 400:480] = coloured(LAMP, 2 * WALLS)
    rows[170:] = coloured(WHITE + WOOD, FLOOR)
    rows[VIEW] = coloured(SKY, 3)
    rows[PATCH] = coloured(SUN + WOOD, LIT) if patch is None else patch
    return field, rows


def found(field: np.ndarray, rows: np.ndarray) -> np.ndarray:
    return with_sun(field, rows, WHITE, CAMERA)


def inner(places: tuple[slice, slice]) -> tuple[slice, slice]:
    return tuple(slice(one.start + 3, one.stop - 3) for one in places)  # type: ignore[return-value]


def test_boards_in_the_sun_have_the_light_of_the_sun() -> None:
    assert np.allclose(found(*room())[inner(PATCH)], SUN - WHITE, atol=0.01)


def test_a_grey_card_on_them_too() -> None:
    field, rows = room()
    rows[CARD] = coloured(SUN, 0.18 / 0.4 * LIT)
    assert np.allclose(found(field, rows)[CARD], SUN - WHITE, atol=0.01)


def test_a_dark_stripe_of_a_rug_on_them_too() -> None:
    field, rows = room()
    rows[190:191, 60:140] = coloured(SUN, 0.05)
    assert np.allclose(found(field, rows)[190, 64:136], SUN - WHITE, atol=0.05)  # 3 delta E of a light grey


def test_all_else_keeps_its_light() -> None:
    field, rows = room()
    away = np.ones((256, 512), bool)
    away[174:218, 58:142] = False
    assert np.array_equal(found(field, rows)[away], finer(field)[away])


def test_the_shadow_of_a_bar_keeps_the_light_of_the_room() -> None:
    field, rows = room()
    rows[176:216, 96:105] = coloured(WHITE + WOOD, FLOOR)
    assert np.allclose(found(field, rows)[180:212, 100], 0, atol=0.01)


@pytest.mark.parametrize(
    "patch",
    [
        pytest.param(coloured(LAMP + WOOD, LIT), id="a lamp's pool on boards"),
        pytest.param(coloured(LAMP, LIT), id="a lamp's pool on white"),
        pytest.param(coloured(SUN + WOOD, 1.5 * WALLS), id="no brighter than white in the room"),
    ],
)
def test_what_the_room_itself_may_light_keeps_its_light(patch: np.ndarray) -> None:
    field, rows = room(patch)
    assert found(field, rows) is field


def test_what_was_told_to_lie_in_the_light_of_the_day_keeps_it() -> None:
    field, rows = room()
    field[42:56, 12:38] = SKY - WHITE
    assert np.allclose(found(field, rows)[inner(PATCH)], SKY - WHITE)


def test_where_no_daylight_is_seen_there_is_no_sun() -> None:
    field, rows = room()
    field[28:35, 60:68] = 0
    assert found(field, rows) is field


def test_by_daylight_alone_nothing_changes() -> None:
    _, rows = room()
    field = np.full((64, 128, 2), SKY - WHITE)
    assert found(field, rows) is field


def test_a_few_bright_places_are_no_patch() -> None:
    field, rows = room(coloured(WHITE + WOOD, FLOOR))
    rows[200:204, 60:72] = coloured(SUN + WOOD, LIT)
    assert found(field, rows) is field


@pytest.mark.parametrize("cells", [5, 64, 100])
def test_it_turns_with_the_frame(cells: int) -> None:
    field, rows = room()
    turned = found(np.roll(field, cells, axis=1), np.roll(rows, cells * TIMES, axis=1))
    assert np.allclose(turned, np.roll(found(field, rows), cells * TIMES, axis=1))


def test_a_frame_smaller_than_the_finer_grid_stays() -> None:
    field, rows = room()
    assert found(field, np.ascontiguousarray(rows[::2, ::2])) is field
