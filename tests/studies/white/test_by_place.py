"""Light by place in rooms where lamp and window mix, and where all is coloured."""

from functools import lru_cache

import numpy as np
import pytest

from panopipe.colour.spaces import LUMINANCE_OF_WORKING
from panopipe.colour.temperature import xy_from_cct_duv
from panopipe.studies.white.bounce import HEARD_WELL, LEAST_MIRED, MOST_MIRED, OF_WARMTH, bounce
from panopipe.studies.white.by_place import (
    FIRST_ROUNDS,
    HALF_WAY,
    LightField,
    find_along,
    find_field,
    lights_by_field,
    lights_of,
    place_at,
    temperatures,
)
from panopipe.studies.white.cones import (
    PLACE_PER_MIRED,
    WORKING_FROM_CONES,
    camera_log_chromaticity,
    light_of_place,
    locus,
    log_chromaticity_from_working,
)
from panopipe.studies.white.mixture import SUN_MIRED, mixture
from panopipe.studies.white.surfaces import Surfaces, area, surfaces_of, upper_envelope
from tests.scenes.camera import expose
from tests.scenes.house import small_room
from tests.scenes.raycast import Picture, render
from tests.scenes.spectra import halogen

WIDTH = 512
_XY = xy_from_cct_duv(4300.0)
CAMERA_XY = (float(_XY[0]), float(_XY[1]))
CAMERA = camera_log_chromaticity(CAMERA_XY)


@lru_cache
def mixed_room() -> tuple[np.ndarray, Picture]:
    truth = render(small_room(lamp=halogen(2800), lamp_intensity=2.5), (2.5, 1.5, 2.0), WIDTH)
    rows = expose(truth.rows, exposure_ev=-1.5, white_xy=CAMERA_XY, seed=3)
    return rows, truth


def light_on(card: str) -> np.ndarray:
    """Where the light on a card stands in the decoded frame."""
    _, truth = mixed_room()
    light = truth.illuminant[truth.cards[card]].mean(axis=0)
    return log_chromaticity_from_working(light) - np.array(CAMERA)


def found() -> LightField:
    rows, _ = mixed_room()
    seen = surfaces_of(rows, 1.0)
    white = tuple(np.mean([light_on("back"), light_on("left")], axis=0))
    return find_field(seen, white, lights_of([temperatures(seen, CAMERA)]), CAMERA)


@pytest.mark.parametrize("card", ["back", "left"])
def test_the_light_on_each_card_is_found(card: str) -> None:
    _, truth = mixed_room()
    line, column = (float(np.mean(at)) for at in np.nonzero(truth.cards[card]))
    yaw, pitch = (column + 0.5) / WIDTH * 360 - 180, 90 - (line + 0.5) / (WIDTH / 2) * 180
    off = place_at(found().places(), yaw, pitch) - light_on(card)
    assert np.hypot(*off) < 0.06  # four delta E 2000 of a light grey


def test_yellow_walls_are_not_taken_for_a_warmer_lamp() -> None:
    rows, _ = mixed_room()
    yellow = rows.copy()
    yellow[90:170] *= np.array([0.8, 0.7, 0.35], np.float32)
    shown, told = zip(*(lamps_of(each) for each in (rows, yellow)), strict=True)
    assert shown[1] - shown[0] > 60  # so much warmer the walls look
    assert abs(told[1] - told[0]) <= 10  # two steps of its table


def lamps_of(rows: np.ndarray) -> tuple[float, float]:
    """Lamp of a room in mired, by its surfaces and by the light on its paint."""
    seen = surfaces_of(rows, 1.0)
    ends = lights_of([temperatures(seen, CAMERA)])
    along = find_along(seen, (0.0, 0.0), ends, CAMERA, FIRST_ROUNDS)
    return ends[1], lights_by_field(ends, [(along, CAMERA)])[1]


def test_one_light_gives_an_even_field() -> None:
    truth = render(small_room(lamp=halogen(2800), window=False), (2.5, 1.5, 2.0), WIDTH)
    seen = surfaces_of(expose(truth.rows, exposure_ev=-1.5, white_xy=CAMERA_XY, seed=3), 1.0)
    light = np.mean([truth.illuminant[mask].mean(axis=0) for mask in truth.cards.values()], axis=0)
    white = tuple(log_chromaticity_from_working(light) - np.array(CAMERA))
    field = find_field(seen, white, lights_of([temperatures(seen, CAMERA)]), CAMERA)
    assert np.std(field.lengths) < 0.06


def test_a_frame_that_shows_nothing_has_one_mixture_half_way_between_its_lights() -> None:
    seen = surfaces_of(np.zeros((256, 512, 3), np.float32), 1.0)
    field = find_field(seen, (0.1, -0.2), lights_of([temperatures(seen, CAMERA)]), CAMERA)
    assert np.allclose(field.lengths, HALF_WAY * field.curve.length, atol=5e-3)


def test_the_envelope_closes_around_the_sides_and_over_the_pole() -> None:
    light = np.full((64, 128), -3.0)
    light[30, 0] = light[1, 20] = 0.0
    top = upper_envelope(light, np.ones(light.shape, bool))
    assert top[30, 127] == pytest.approx(top[30, 1])
    assert top[1, 20 + 64] > -0.3


def test_the_field_turns_with_the_frame() -> None:
    rows, _ = mixed_room()
    seen, turned = surfaces_of(rows, 1.0), surfaces_of(np.roll(rows, 16, axis=1), 1.0)
    lights = lights_of([temperatures(seen, CAMERA)])
    one, two = (find_field(each, (0.0, 0.0), lights, CAMERA).lengths for each in (seen, turned))
    assert np.allclose(np.roll(one, 4, axis=1), two, atol=5e-3)  # what the search leaves


def test_a_view_above_white_that_did_not_clip_is_daylight() -> None:
    rows, _ = mixed_room()
    rows = rows.copy()
    ends = lights_of([temperatures(surfaces_of(rows, 8.0), CAMERA)])
    curve = find_field(surfaces_of(rows, 8.0), (0.0, 0.0), ends, CAMERA).curve
    daylight = curve.at(np.array(0.0))
    cones = np.array([np.exp(daylight[0]), 1.0, np.exp(daylight[1])])
    rows[100:140, 200:260] = 4.0 * (cones @ WORKING_FROM_CONES.T)
    field = find_field(surfaces_of(rows, 8.0), (0.0, 0.0), ends, CAMERA)
    assert np.abs(field.lengths[28:33, 53:62]).max() < 0.1


def test_a_patch_of_sun_on_a_wall_has_the_suns_light() -> None:
    """What is brighter than white could be in the room's light, and colder than what lies around it."""
    rows, truth = mixed_room()
    dim, patch, cells = 0.2 * rows, np.s_[120:140, 120:160], np.s_[31:34, 31:39]
    light = log_chromaticity_from_working(truth.illuminant[patch].mean(axis=(0, 1))) - np.array(CAMERA)
    sun = light_of_place(locus([SUN_MIRED]) - np.array(CAMERA))[0]
    lit = dim.copy()
    lit[patch] += (5 * dim[patch] / light_of_place(light) * sun).astype(np.float32)
    before, after = (
        find_field(seen, tuple(found().mean()), lights_of([temperatures(seen, CAMERA)]), CAMERA)
        for seen in (surfaces_of(dim, 1.0), surfaces_of(lit, 1.0))
    )
    true = after.curve.nearest(log_chromaticity_from_working(sun)[None])[0][0]
    assert before.lengths[cells].min() - true > 0.25, "there was more of the lamp"
    assert np.abs(after.lengths[cells] - true).max() < 0.06  # four delta E 2000 of a light grey
    assert np.abs(after.lengths - before.lengths)[:24].max() < 0.03, "the ceiling has what it had"


def test_green_from_a_lawn_is_light_and_pink_from_a_wall_is_colour() -> None:
    rows, _ = mixed_room()
    white = tuple(found().places()[20, 64])
    for turn in (np.array([0.9, 1.02, 0.98]), np.array([1.1, 0.98, 1.02])):
        seen = surfaces_of((rows * turn).astype(np.float32), 1.0)
        lights = lights_of([temperatures(seen, CAMERA)])
        field = find_field(seen, white, lights, CAMERA)
        _, green = mixture(*lights, CAMERA).nearest(field.places())
        silent = field.heard / area() < 0.01
        assert np.median(green[~silent]) * (1 - turn[0]) > 0  # paint is to be white with all that lies on it
        assert np.median(green[silent]) > (0.05 if turn[0] < 1 else -0.03)


@pytest.mark.parametrize("turn", [(0.92, 1.02, 0.99), (1.08, 0.98, 1.02)], ids=["green", "pink"])
def test_what_is_thrown_onto_one_side_of_white_paint_is_taken_for_its_light(
    turn: tuple[float, float, float],
) -> None:
    """A curtain or a lawn lies on one side; the other side's paint keeps the light that it had."""
    rows, _ = mixed_room()
    before, here = found(), np.cos((np.arange(WIDTH) + 0.5) / WIDTH * 2 * np.pi)[:, None]
    thrown = np.where(here > 0, np.array(turn) ** here, 1.0).astype(np.float32)
    seen = surfaces_of(rows * thrown, 1.0)
    white = tuple(before.mean())
    field = find_field(seen, white, lights_of([temperatures(seen, CAMERA)]), CAMERA)
    side = before.curve.to_green(before.lengths)
    moved = np.sum((field.places() - before.places()) * side, axis=-1)
    asked = np.sum(log_chromaticity_from_working(np.array(turn)) * side, axis=-1)
    paint = before.heard / area() > HEARD_WELL
    columns = np.abs(np.arange(128) - 63.5)
    assert np.median((moved / asked)[paint & (columns > 54)]) > 0.8
    assert np.abs(np.median((moved / asked)[paint & (columns < 24)])) < 0.25


def test_what_paint_alone_shows_is_left_on_what_is_not_paint() -> None:
    """Rooms throw their own colour onto white paint: without paint nothing says how much."""
    field, size = found(), area()
    paint = field.heard / size > HEARD_WELL
    silent = field.heard / size < 0.01
    thrown = np.hypot(*np.moveaxis(field.thrown, -1, 0))
    assert 0 <= thrown[paint].mean() < 0.5 * thrown[silent].mean()
    nothing = surfaces_of(np.zeros((256, 512, 3), np.float32), 1.0)
    assert not find_field(nothing, (0.1, -0.2), (154.0, 300.0), CAMERA).thrown.any()


def test_the_warmer_a_room_against_its_paint_the_more_it_throws_onto_it() -> None:
    known = np.ones(area().shape)
    for warmer, expected in (
        (0, LEAST_MIRED),
        (20, LEAST_MIRED + 20 * OF_WARMTH),
        (-90, 0),
        (90, MOST_MIRED),
    ):
        found_mired = bounce(warmer * PLACE_PER_MIRED * known, known) / PLACE_PER_MIRED
        assert found_mired == pytest.approx(expected)


def test_wood_all_round_moves_no_light_beside_the_mixtures() -> None:
    """Coloured surfaces stand beside the curve by their colour; only paint may move it."""
    rows, _ = mixed_room()
    dark = surfaces_of((rows * np.array([1.0, 0.55, 0.2])).astype(np.float32), 1.0)
    ends = lights_of([temperatures(surfaces_of(rows, 1.0), CAMERA)])
    away = find_field(dark, (0.2, -0.6), ends, CAMERA).curve.places[0] - mixture(*ends, CAMERA).places[0]
    assert np.hypot(*away) < 0.02


def test_the_wall_around_a_window_stands_with_its_back_to_the_day() -> None:
    """White paint, dimmer than the room and nearly without the day that the walls beside it have."""
    places = locus([1e6 / 6500, 1e6 / 2800], [0.002, 0.0]) - np.array(CAMERA)
    cones = np.stack([np.exp(places[:, 0]), np.ones(2), np.exp(places[:, 1])], axis=-1)
    day, lamp = (light / (light @ LUMINANCE_OF_WORKING) for light in cones @ WORKING_FROM_CONES.T)
    away = np.abs(np.arange(WIDTH) - 256)
    of_day = np.where(away < 60, 0.1 + 0.4 * away / 60, 0.5 * np.exp(-(away - 60) / 60))
    level = np.interp(away, [50, 70], [0.18, 0.6])
    light = of_day[:, None] * day + (1 - of_day[:, None]) * lamp
    rows = np.tile(level[:, None] * light, (WIDTH // 2, 1, 1)).astype(np.float32)
    rows[90:160, 222:290] = 6 * day
    rows[116:132, 222:290] = 0.1 * day * np.array([0.5, 1.2, 0.4])  # a hedge
    rows *= 1 + 0.005 * np.random.default_rng(7).standard_normal((WIDTH // 2, WIDTH, 1)).astype(np.float32)
    seen = surfaces_of(rows, 50.0)
    field = find_field(seen, tuple((places[0] + places[1]) / 2), (1e6 / 6500, 1e6 / 2800), CAMERA)
    wall, view = field.lengths[17:21, 56:72], field.lengths[25:38, 59:69]
    shown = field.curve.nearest(seen.log_chromaticity[17:21, 56:72])[0]
    assert abs(wall - shown).max() < 0.06 * field.curve.length
    assert view.max() < 0.1 * field.curve.length


@pytest.mark.parametrize(("beside", "is_day"), [("reveal", True), ("blue wall", False), ("shade", False)])
def test_what_lies_beside_a_clipped_window_has_the_days_light(beside: str, *, is_day: bool) -> None:
    """Reveals had turned ice blue. A blue wall behind a lamp is as cold but dim, a lampshade is warm."""
    places = locus([1e6 / 6500, 1e6 / 2800], [0.0, 0.0]) - np.array(CAMERA)
    cones = np.stack([np.exp(places[:, 0]), np.ones(2), np.exp(places[:, 1])], axis=-1)
    day, lamp = (light / (light @ LUMINANCE_OF_WORKING) for light in cones @ WORKING_FROM_CONES.T)
    rows = np.tile(0.5 * lamp, (WIDTH // 2, WIDTH, 1)).astype(np.float32)
    rows[100:150, 200:260] = {"reveal": 0.6 * day, "blue wall": 0.1 * day, "shade": 0.6 * lamp}[beside]
    rows[106:144, 206:254] = 2.2  # all planes clipped, as decode gives them
    rows *= 1 + 0.005 * np.random.default_rng(8).standard_normal((WIDTH // 2, WIDTH, 1)).astype(np.float32)
    field = find_field(surfaces_of(rows, 1.0), tuple(places[1]), (1e6 / 6500, 1e6 / 2800), CAMERA)
    around = field.lengths[26:37, 51] / field.curve.length
    assert around.max() < 0.25 if is_day else around.min() > 0.75


def walls(paint: float) -> tuple[Surfaces, np.ndarray]:
    """A room whose walls are trusted so far, in daylight but for the one that holds a window."""
    day, lamp = locus([150.0, 350.0]) - np.array(CAMERA)
    places, light = np.tile(day, (64, 128, 1)), np.zeros((64, 128))
    behind, pane = np.s_[24:40, 50:78], np.s_[28:36, 60:68]
    places[behind], light[behind] = lamp, -1.0
    places[pane], light[pane] = day, 3.0
    known, bright = np.ones(light.shape, bool), np.zeros(light.shape, bool)
    known[pane], bright[pane] = False, True
    trust = np.where(light == 0, paint, 0.0)
    beside, paint = np.zeros(light.shape, bool), np.zeros(places.shape)
    return Surfaces(places, light, known, trust, bright, beside, paint), lamp


def test_the_wall_around_a_window_is_heard_as_far_as_the_others_are() -> None:
    """With its back to the day it looks too dim for white, and had kept the light of the walls beside it."""
    wrong = []
    for paint in (0.6, 0.002):
        seen, lamp = walls(paint)
        along = find_along(seen, (0.0, 0.0), (150.0, 350.0), CAMERA, FIRST_ROUNDS)
        wrong.append(np.hypot(*(along.curve.at(along.lengths)[32, 54] - lamp)))
    assert wrong[0] < 0.3  # of 1.1 between both lights
    assert wrong[1] > 2 * wrong[0], wrong
