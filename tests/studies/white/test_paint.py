"""The paint of coloured walls, told by the white things that lie in their light."""

import numpy as np
import pytest

from panopipe.studies.white.by_place import find_field
from panopipe.studies.white.cones import light_of_place, locus, log_chromaticity_from_working
from panopipe.studies.white.mixture import mixture
from panopipe.studies.white.paint import DAY_MIRED, LAMP_MIRED, paint_of
from panopipe.studies.white.steps import find_steps
from panopipe.studies.white.surfaces import surfaces_of
from panopipe.studies.white.trim import TIMES

HEIGHT, WIDTH = 256, 512
CAMERA = (0.0, 0.0)
WHITE, LILAC = np.full(3, 0.80), np.array([0.55, 0.50, 0.64])
"""Reflectances: white paint, and a lilac whose channels lie within a quarter of each other."""
DAY, LAMP = light_of_place(locus([154.0, 340.0], [0.002, 0.0]))
DOOR, CARD, CEILING, FLOOR = np.s_[96:170, 200:236], np.s_[110:126, 60:90], np.s_[:78], np.s_[170:]
WALLS = np.s_[82:166]


def room(wall: np.ndarray, lights: np.ndarray, seed: int = 2) -> np.ndarray:
    """A white ceiling, a grey floor, walls of one paint with a door and a card, in some light."""
    paint = np.tile(wall, (HEIGHT, WIDTH, 1))
    paint[CEILING], paint[FLOOR], paint[DOOR], paint[CARD] = WHITE, 0.3, WHITE, WHITE
    noise = 1 + 0.005 * np.random.default_rng(seed).standard_normal(paint.shape)
    return (0.4 * paint * lights * noise).astype(np.float32)


def mixed() -> np.ndarray:
    """Light that goes from the lamp's to the day's and back, once around."""
    share = 0.5 + 0.5 * np.cos(2 * np.pi * np.arange(WIDTH) / WIDTH)[None, :, None]
    return share * LAMP + (1 - share) * DAY


def test_a_lilac_wall_is_told_by_its_door_in_whatever_light() -> None:
    """Within .03, 2 delta E, of what the paint does to the colour there; a lamp changes it by .02."""
    rows = room(LILAC, mixed())
    told = paint_of(rows, CAMERA)
    lit = rows.reshape(64, 4, 128, 4, 3).mean(axis=(1, 3)).astype(np.float64)
    true = log_chromaticity_from_working(lit) - log_chromaticity_from_working(lit * WHITE / LILAC)
    wall = np.s_[32:40, 62:126]
    assert np.abs(told.colour - true)[wall].max() < 0.03
    assert told.surely[wall].min() > 0.9
    assert told.surely[:18].max() == 0, "the ceiling"
    assert told.surely[26:40, 51:58].max() < 0.05, "the door"


def test_what_stands_dark_on_such_a_wall_says_nothing_of_its_paint() -> None:
    """Pictures and shelves, dimmer than the wall, are no reason to take it for another paint."""
    rows = room(LILAC, mixed())
    for left in range(244, 500, 24):
        rows[100:150, left : left + 14] *= (0.30 / LILAC).astype(np.float32)
    below = np.s_[38:41, 62:126]
    assert paint_of(rows, CAMERA).surely[below].min() > 0.9


def test_the_light_on_such_a_wall_is_the_one_that_shines_there() -> None:
    """Lilac walls under lamps had been taken for white ones nearer to daylight, and came out pink."""
    rows, wall = room(LILAC, mixed()), np.s_[32:40, 62:126]
    true = log_chromaticity_from_working(mixed()[0].reshape(128, 4, 3).mean(axis=1))[62:126]
    off = []
    for told in (None, paint_of(rows, CAMERA)):
        seen = surfaces_of(rows, 1.0, told=told)
        field = find_field(seen, (0.3, -0.6), (154.0, 340.0), CAMERA)
        off.append(float(np.median(np.linalg.norm(field.curve.at(field.lengths)[wall] - true, axis=-1))))
    assert off[1] < 0.5 * off[0], off


@pytest.mark.parametrize("wall", [WHITE, np.array([0.66, 0.60, 0.42])], ids=["white", "pale yellow"])
def test_nothing_is_told_where_a_step_may_be_one_of_light(wall: np.ndarray) -> None:
    """A door in daylight on a wall in lamplight, as a reveal or a mirror shows it, and twice as bright."""
    lights = np.tile(LAMP, (HEIGHT, WIDTH, 1))
    lights[DOOR] = 1.6 * DAY
    rows = room(wall, lights)
    assert len(find_steps(rows, mixture(DAY_MIRED, LAMP_MIRED, CAMERA)).row) > 30, "edges are found"
    told = paint_of(rows, CAMERA)
    assert not told.colour.any()
    assert not told.surely.any()
    with_it, without = surfaces_of(rows, 1.0, told=told), surfaces_of(rows, 1.0)
    np.testing.assert_array_equal(with_it.trust, without.trust)


def test_a_wall_of_deep_colour_is_left_to_itself() -> None:
    """It never passes for white, and heard as one it turned whole rooms by 4 degrees of hue."""
    rows = room(np.array([0.42, 0.52, 0.30]), mixed())
    assert len(find_steps(rows, mixture(DAY_MIRED, LAMP_MIRED, CAMERA)).row) > 30, "edges are found"
    assert not paint_of(rows, CAMERA).surely.any()


def test_pools_of_light_have_no_edges() -> None:
    pool = np.exp(-0.5 * ((np.arange(WIDTH) - 256) / 30.0) ** 2)[None, :, None]
    rows = np.tile((0.1 + 0.3 * pool) * LILAC, (HEIGHT, 1, 1)).astype(np.float32)
    assert len(find_steps(rows, mixture(DAY_MIRED, LAMP_MIRED, CAMERA)).row) == 0


def test_a_small_frame_tells_nothing() -> None:
    assert not paint_of(room(LILAC, mixed())[::2, ::2], CAMERA).surely[:2].any()
    assert not paint_of(room(LILAC, mixed())[::4, ::4], CAMERA).surely.any()


@pytest.mark.parametrize("cells", [7, 64])
def test_it_turns_with_the_frame(cells: int) -> None:
    rows = room(LILAC, mixed())
    turned = paint_of(np.roll(rows, cells * TIMES, axis=1), CAMERA)
    for name in ("colour", "surely"):
        expected = np.roll(getattr(paint_of(rows, CAMERA), name), cells, axis=1)
        np.testing.assert_allclose(getattr(turned, name), expected, atol=1e-3)
