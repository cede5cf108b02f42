"""What is a view from a room, and what only looks like one: each made by hand, seven degrees high or more."""

from collections.abc import Callable

import cv2
import numpy as np
import pytest

from panopipe.colour.spaces import WORKING_FROM_SRGB
from panopipe.sphere.geometry import pixel_solid_angle
from panopipe.studies.light.panes import filled
from panopipe.studies.light.sight import plane_of_light, sight_of
from panopipe.studies.light.zone import find_zone

WIDTH, HEIGHT = 1024, 512
WHITE_EV = -3.0
"""A perfect white in the light of the room."""
SKY, TREES, LAWN, LAMP = (0.75, 0.9, 1.2), (0.06, 0.1, 0.05), (0.12, 0.22, 0.06), (1.6, 0.9, 0.35)

Place = tuple[slice, slice]


def room() -> np.ndarray:
    """White walls over a wooden floor, a little noise, linear sRGB; white is 1."""
    random = np.random.default_rng(3)
    rows = np.full((HEIGHT, WIDTH, 3), 0.8)
    rows[300:] = 0.25, 0.16, 0.09
    rows[300::12] *= 0.6
    return rows * (1 + 0.02 * random.standard_normal((HEIGHT, WIDTH, 1)))


def window(rows: np.ndarray, top: int = 225, left: int = 300, high: int = 60, wide: int = 60) -> Place:
    """Sky 60 times as bright as white paint, trees and lawn before it, behind bars."""
    random = np.random.default_rng(4)
    pane = np.empty((high, wide, 3))
    pane[: high // 2], pane[high // 2 : high * 3 // 4], pane[high * 3 // 4 :] = SKY, TREES, LAWN
    pane *= 60 * np.exp2(0.2 * random.standard_normal((high, wide, 1)))
    place = slice(top, top + high), slice(left, left + wide)
    rows[place] = pane
    rows[place[0], left + wide // 2 - 2 : left + wide // 2 + 2] = 0.8
    return place


def zone_of(rows: np.ndarray) -> np.ndarray:
    return find_zone((rows @ WORKING_FROM_SRGB.T * 2.0**WHITE_EV).astype(np.float32), WHITE_EV)


def test_a_window_is_a_view_and_its_bars_are_not() -> None:
    rows = room()
    place = window(rows)
    zone = zone_of(rows)
    expected = np.zeros(zone.shape, bool)
    expected[place] = True
    expected[:, 328:332] = False
    assert (zone & expected).sum() > 0.97 * expected.sum()
    assert not (zone & ~expected).any()


def test_a_window_at_the_cut_of_the_frame_is_whole() -> None:
    # Whole up to a few pixels that lie on a threshold: frames reach the stage from their anchor column on.
    rows = room()
    window(rows)
    cut, whole = zone_of(np.roll(rows, 700, axis=1)), np.roll(zone_of(rows), 700, axis=1)
    assert (cut != whole).sum() < 0.01 * whole.sum()


def lamp(rows: np.ndarray) -> None:
    """A bulb in a shade before a wall, whose light falls off around it."""
    away = np.hypot(*(np.indices((HEIGHT, WIDTH)) - np.array([240, 500])[:, None, None]))
    rows *= 1 + (8 * np.exp(-away / 30))[..., None] * LAMP
    rows[away < 26] = np.array(LAMP) * 40
    rows[away < 6] = np.array(LAMP) * 900


def cool_globe(rows: np.ndarray) -> None:
    """A globe of neutral light with a limb."""
    away = np.hypot(*(np.indices((HEIGHT, WIDTH)) - np.array([240, 500])[:, None, None])) / 30
    rows[away < 1] = 60 * (0.4 + 0.6 * np.sqrt(1 - away[away < 1] ** 2))[:, None]


def tubes(rows: np.ndarray) -> None:
    """Two tubes, a little green, high on a wall: sharp, straight, flat."""
    rows[190:200, 400:560] = rows[215:225, 400:560] = np.array([0.95, 1.05, 0.9]) * 50


def sun_patch(rows: np.ndarray) -> None:
    """The sun through the window on the floor, which keeps its boards."""
    rows[330:400, 420:520] *= 30


def sun_on_wall(rows: np.ndarray) -> None:
    """The sun on white paint."""
    rows[200:290, 600:700] *= 12


def curtain(rows: np.ndarray) -> None:
    """A thin curtain with the day behind it: folds, one colour."""
    folds = 1 + 0.3 * np.sin(np.arange(90) / 3)
    rows[200:290, 600:690] = (np.array([0.9, 1.0, 1.15]) * 8 * folds[:, None])[None]


def blank_window(rows: np.ndarray) -> None:
    """A window of which the file holds nothing: clipped."""
    rows[225:285, 300:360] = 8
    rows[225:285, 328:332] = 0.8


def night(rows: np.ndarray) -> None:
    """A window by night."""
    rows[225:285, 300:360] = 0.001


def everywhere(rows: np.ndarray) -> None:
    """A terrace: half of what one sees is outside."""
    rows[:256] = np.array(SKY) * 6
    rows[230:256] = np.array(TREES) * 30


@pytest.mark.parametrize(
    "made", [lamp, cool_globe, tubes, sun_patch, sun_on_wall, curtain, blank_window, night, everywhere]
)
def test_what_is_no_view_stays_with_the_room(made: Callable[[np.ndarray], None]) -> None:
    rows = room()
    made(rows)
    assert not zone_of(rows).any()


@pytest.mark.parametrize(("clips_at", "is_found"), [(200.0, True), (5.0, False)])
def test_a_view_that_is_mostly_clipped_is_none(clips_at: float, is_found: bool) -> None:
    """Above all of it, and below all but its trees: lost greens would come out grey."""
    rows = room()
    window(rows)
    light = (rows @ WORKING_FROM_SRGB.T * 2.0**WHITE_EV).astype(np.float32)
    zone = find_zone(light, WHITE_EV, float(np.log2(clips_at)) + WHITE_EV)
    assert zone.any() == is_found


@pytest.mark.parametrize("made", [lamp, cool_globe, tubes, sun_patch])
def test_a_view_is_found_beside_what_is_none(made: Callable[[np.ndarray], None]) -> None:
    rows = room()
    made(rows)
    place = window(rows, left=620)
    zone = zone_of(rows)
    assert zone[place].sum() > 0.85 * zone[place].size
    assert zone.sum() == zone[place].sum()


def test_bricks_and_flowers_belong_to_the_view_they_stand_in() -> None:
    """Warm as a lamp is, at the edge of a pane, where no other part of the view encloses them."""
    rows = room()
    top, left = (side.start for side in window(rows))
    bricks, flowers = (slice(top + 8, top + 24), slice(left, left + 8)), (slice(281, 285), slice(350, 358))
    rows[bricks] = np.array([0.5, 0.22, 0.12]) * 60
    rows[flowers] = np.array([0.6, 0.3, 0.05]) * 60
    zone = zone_of(rows)
    assert zone[bricks].mean() > 0.9
    assert zone[flowers].mean() > 0.9


def test_a_shaded_pavement_before_a_glazed_door_belongs_to_the_view() -> None:
    """Only twice as bright as paint, below lawn, down to the frame; the sill below lies in the sun."""
    rows = room()
    place = window(rows, top=235, high=120)
    pavement = slice(320, 355), slice(300, 360)
    joints = 1 - 0.1 * (np.arange(35) % 7 == 0)
    rows[pavement] = 2.1 * joints[:, None, None] * np.array([1.0, 1.0, 1.05])
    rows[315:320, 300:360] = np.array(LAWN) * 60
    rows[pavement[0], 328:332] = 0.8
    rows[357:361, 300:360] = 5.0
    zone = zone_of(rows)
    assert zone[pavement].mean() > 0.8
    assert zone[place].mean() > 0.85
    assert not zone[357:].any()


def test_the_glow_before_a_threshold_stays_with_the_floor() -> None:
    """It hangs on the door's view by a gap of two pixels and fades away."""
    rows = room()
    window(rows, top=200, high=130)
    rows[200:330, 328:332] = np.array(LAWN) * 60
    rows[330:334, 300:360] = 0.3
    fall = np.exp2(2.6 - np.abs(np.arange(60)[:, None] - 10) / 9 - np.abs(np.arange(60) - 30) / 14)
    rows[334:394, 300:360] = 0.8 * fall[..., None]
    rows[330:334, 310:312] = 5.0
    zone = zone_of(rows)
    assert zone[200:330, 300:360].mean() > 0.9
    assert not zone[336:].any()


def shade(rows: np.ndarray, place: Place) -> None:
    rows[place] = np.array((0.5, 1.0, 0.35)) * 0.9


def test_a_tree_in_the_corner_of_a_pane_belongs_to_the_view() -> None:
    """It is as dark as the room and hides where the head of the window meets its side."""
    rows = room()
    window(rows)
    shade(rows, (slice(225, 248), slice(345, 360)))
    assert zone_of(rows)[227:246, 347:358].mean() > 0.95


def test_a_lawn_beyond_a_dark_hedge_belongs_to_the_view() -> None:
    rows = room()
    window(rows, high=80)
    shade(rows, (slice(262, 288), slice(300, 360)))
    zone = zone_of(rows)
    assert zone[264:286, 302:326].mean() > 0.95
    assert zone[290:303, 302:326].mean() > 0.95


def test_a_lampshade_before_a_window_does_not() -> None:
    rows = room()
    window(rows)
    lamp = slice(262, 300), slice(305, 322)
    rows[lamp] = np.array(LAMP) * 4
    assert zone_of(rows)[lamp].mean() < 0.05


def soft(rows: np.ndarray, sigma: float) -> None:
    """As a stitcher leaves it: nothing is sharp to the pixel."""
    rows[:] = cv2.GaussianBlur(rows, (0, 0), sigma)


def lit_corner(rows: np.ndarray) -> None:
    """A lamp with a shade stands in a corner between a white wall and a plum one and lights both."""
    rows[150:300, 500:] *= np.array([0.55, 0.18, 0.35])
    row, column = np.indices((HEIGHT, WIDTH))
    below = np.clip((row - 238) / 6, 0, 1) * np.exp(-np.hypot(row - 248, (column - 500) / 1.5) / 22)
    rows *= 1 + 40 * below[..., None]
    rows[208:236, 484:516] = 38.0


def test_two_walls_in_the_light_of_a_lamp_are_no_view() -> None:
    rows = room()
    lit_corner(rows)
    soft(rows, 1.2)
    assert not zone_of(rows).any()


def test_reveals_in_daylight_stay_with_the_room_though_trees_are_darker() -> None:
    """White paint around the glass, a third as bright as the middle of the view; a tree has a sixth."""
    rows = room()
    top, left = (side.start for side in window(rows, high=84, wide=84))
    rows[top + 20 : top + 60, left + 8 : left + 30] = np.array(TREES) * 20
    for strip in (
        np.s_[top - 9 : top, left - 9 : left + 93],
        np.s_[top : top + 84, left - 9 : left],
        np.s_[top : top + 84, left + 84 : left + 93],
        np.s_[top + 84 : top + 93, left - 9 : left + 93],
    ):
        rows[strip] = 3.4
    soft(rows, 1.0)
    zone = zone_of(rows)
    assert zone[top + 3 : top + 81, left + 3 : left + 40].mean() > 0.95
    around = np.ones(zone.shape, bool)
    around[top - 2 : top + 86, left - 2 : left + 86] = False
    assert not zone[around].any()


def test_a_view_on_the_warm_side_of_the_room_is_found_whole() -> None:
    """Daylight is warm beside a room whose white is that of its cool lamps; lawn and sky are as bright."""
    rows = room()
    place = window(rows, high=100)
    rows[place] *= np.array([1.25, 0.95, 0.72])
    sky = rows[place][:40]
    sky[:, :, :] = np.array([1.0, 0.72, 0.55]) * 12 * sky.mean(axis=-1, keepdims=True) / sky.mean()
    zone = zone_of(rows)
    assert zone[place].mean() > 0.85


def test_a_trunk_in_the_shade_belongs_to_the_view() -> None:
    """Dim and brown between a tree and the lawn; nothing else in the view is."""
    rows = room()
    window(rows, high=84)
    trunk = slice(250, 288), slice(312, 317)
    rows[trunk] = np.array([1.1, 1.0, 0.85]) * 1.6
    assert zone_of(rows)[trunk].mean() > 0.9


def test_a_deep_sill_in_daylight_is_no_pavement() -> None:
    rows = room()
    window(rows)
    rows[285:287, 300:360] = 0.6
    sill = slice(287, 297), slice(296, 364)
    rows[sill] = 2.0
    rows[285:287, 320:340] = 2.0  # in daylight, the frame is as bright
    zone = zone_of(rows)
    assert zone[225:285, 300:326].mean() > 0.95
    assert not zone[sill].any()


FILAMENT = (2.2, 0.74, 0.1)
"""Light of 2350 K in sRGB's white."""


@pytest.mark.parametrize("lamp", [LAMP, FILAMENT])
def test_a_lampshade_before_a_window_is_told_by_daylight_however_white_it_was_made(
    lamp: tuple[float, float, float],
) -> None:
    """Where each place was balanced by its own light a shade is white as a cloud: it had turned orange.

    And what a filament lights is redder than bricks in daylight: half a casing had turned black.
    """
    rows = room()
    window(rows)
    shade = slice(255, 292), slice(305, 322)
    rows[shade] = 20.0
    by_day = rows.copy()
    by_day[shade] *= np.array(lamp)
    balanced, by_day = (
        (seen @ WORKING_FROM_SRGB.T * 2.0**WHITE_EV).astype(np.float32) for seen in (rows, by_day)
    )
    zone = find_zone(balanced, WHITE_EV, by_day=by_day)
    assert not zone[257:290, 307:320].any()
    assert zone[227:253, 302:326].mean() > 0.95


def test_a_sill_in_the_sun_is_no_piece_of_the_pane_above_it() -> None:
    """A fault once seen: grey patches on it. It was as bright as the lawn, whose glare had joined them."""
    rows = room()
    window(rows)
    sill, light = (slice(288, 292), slice(302, 326)), rows @ WORKING_FROM_SRGB.T
    pane = np.zeros((HEIGHT, WIDTH), bool)
    pane[225:285, 300:328] = pane[sill] = True
    light[sill] = 20.0
    area = np.repeat(pixel_solid_angle(HEIGHT)[:, None], WIDTH, axis=1)
    seen = sight_of(light.astype(np.float32), plane_of_light(light.astype(np.float32)), area)
    whole = filled(seen, pane, least_ev=3.5)
    assert whole[226:284, 302:326].all()
    assert not whole[sill].any()
