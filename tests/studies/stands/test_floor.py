"""The motion that floors tell, and whether anything stands between two frames, on floors laid by chance."""

import cv2
import numpy as np
import pytest

from panopipe.studies.stands.between import Way, beside, seen_by_both
from panopipe.studies.stands.floor import (
    PIXELS,
    SIDE,
    Floor,
    FloorShift,
    floor_detail,
    floor_shifts,
    shift_along,
)
from panopipe.studies.stands.motion import wrapped

PLACES = 400
"""Side of a floor in pixels of the view: 20 camera heights."""


def laid(seed: int) -> np.ndarray:
    """Grain of about two pixels, without any direction."""
    grain = np.random.default_rng(seed).standard_normal((PLACES, PLACES)).astype(np.float32)
    grain = cv2.GaussianBlur(grain, (0, 0), 0.8)
    return grain / grain.std()


def seen(floor: np.ndarray, east: float, north: float, heading_deg: float, walls_deg: float) -> Floor:
    """A floor as seen from a place (camera heights from its middle), with an own heading of the walls."""
    step = (np.arange(SIDE) + 0.5 - SIDE / 2) / PIXELS
    right, forward = np.meshgrid(step, -step)
    turn = np.radians(heading_deg + walls_deg)
    x = east + right * np.cos(turn) + forward * np.sin(turn)
    y = north + forward * np.cos(turn) - right * np.sin(turn)
    view = cv2.remap(
        floor,
        (x * PIXELS + PLACES / 2 - 0.5).astype(np.float32),
        (PLACES / 2 - 0.5 - y * PIXELS).astype(np.float32),
        cv2.INTER_LINEAR,
    )
    shown = (np.hypot(right, forward) > 0.4) & (np.hypot(right, forward) < 3.4)
    return Floor(np.rint(np.clip(view, -2.5, 2.5) * 50 * shown).astype(np.int8), walls_deg)


HEADINGS = [(10.0, 30.0), (10.0, -60.0), (55.0, 165.0)]
"""Headings of both frames in the plan; the walls of the house run at 40 degrees."""


@pytest.mark.parametrize("headings", HEADINGS)
def test_floors_tell_the_motion_in_camera_heights(headings: tuple[float, float]) -> None:
    """The second frame stands 1.2 east and 0.9 north of the first: 1.5 camera heights away."""
    floor, walls = laid(1), [(40.0 - heading) % 90 for heading in headings]
    one = seen(floor, 0.3, -0.2, headings[0], walls[0])
    other = seen(floor, 1.5, 0.7, headings[1], walls[1])
    best, second = floor_shifts(one, other)[:2]
    way_deg = np.degrees(np.arctan2(1.2, 0.9))
    # The grain of the view is a twentieth of a camera height; the middle of a peak is told finer.
    assert best.distance == pytest.approx(1.5, abs=0.02)
    assert abs(wrapped(best.yaw_deg(one, other) - (way_deg - headings[0]))) < 1
    assert abs(wrapped(best.back_yaw_deg - (way_deg + 180 - headings[1]))) < 1
    assert best.sure > 3 * second.sure
    back = floor_shifts(other, one)[0]
    turned = best.seen_back(one, other)
    assert back.quarter == turned.quarter
    assert abs(wrapped(back.back_yaw_deg - turned.back_yaw_deg)) < 1


def test_two_floors_that_are_two_tell_nothing_surely() -> None:
    """Of some 200,000 shifts the best of chance stands out by about 4.5 standard deviations."""
    found = [floor_shifts(seen(laid(k), 0, 0, 0, 0), seen(laid(k + 50), 0, 0, 0, 0)) for k in range(6)]
    assert max(shifts[0].sure for shifts in found if shifts) < 6


def test_a_floor_of_like_tiles_does_not_tell_which_distance() -> None:
    """Of two shifts about as sure in one direction, points that then lie on the floor tell which is meant."""
    floor = Floor(np.zeros((SIDE, SIDE), np.int8), 0.0)
    shifts = [FloorShift(0, 180.0, 0.8, 9.0), FloorShift(0, 181.0, 1.6, 8.5), FloorShift(1, 20.0, 2.0, 4.2)]
    bare = shift_along(shifts, floor, floor, 0.5, 179.0, np.zeros(0))
    assert bare is not None and (bare.distance, bare.rival, bare.clear) == (0.8, 4.2, False)
    told = shift_along(shifts, floor, floor, 0.5, 179.0, np.full(12, 1 / 1.6))
    assert told is not None and (told.distance, told.clear) == (1.6, True)
    assert shift_along(shifts, floor, floor, 0.5, 90.0, np.zeros(0)) is None


def walled(floor: Floor, beyond: float, seed: int) -> Floor:
    """The same where a wall north of the camera hides what lies beyond it."""
    row = int(SIDE / 2 - beyond * PIXELS)
    detail = floor.detail.copy()
    detail[:row] = seen(laid(seed), 0, 0, 0, 0).detail[:row]
    return Floor(detail, floor.heading_deg)


def test_floor_seen_by_both_says_that_nothing_stands_between() -> None:
    floor = laid(5)
    one, other = seen(floor, 0, 0, 0, 0), seen(floor, 0, 2.5, 180, 0)
    way = Way(0.0, 0.0, 2.5)
    free, hidden = (
        seen_by_both(one, other, way),
        seen_by_both(walled(one, 1.2, 7), walled(other, 1.3, 8), way),
    )
    assert free is not None and free > 0.8
    assert hidden is not None and hidden < 0.3
    room = beside(one, other, way)
    assert room is not None and room > 0.8


def test_a_door_shows_the_way_and_not_what_lies_beside_it() -> None:
    """An opening 0.6 wide in a wall half way: each side's floor is hidden from the other but for a wedge."""
    floor, wall = laid(9), 1.25
    frames = []
    for north, heading, seed in ((0.0, 0.0, 11), (2.5, 180.0, 12)):
        frame, step = seen(floor, 0, north, heading, 0), (np.arange(SIDE) + 0.5 - SIDE / 2) / PIXELS
        right, forward = np.meshgrid(step, -step)
        hidden = (forward > wall) & (np.abs(right) * wall > 0.3 * forward)
        noise = seen(laid(seed), 0, 0, 0, 0).detail
        frames.append(Floor(np.where(hidden, noise, frame.detail), 0.0))
    way = Way(0.0, 0.0, 2.5)
    along, aside = seen_by_both(*frames, way), beside(*frames, way)
    assert along is not None and along > 0.8
    assert aside is not None and aside < 0.7


def test_of_a_bare_floor_nothing_is_said() -> None:
    bare = Floor(np.zeros((SIDE, SIDE), np.int8), 0.0)
    assert floor_shifts(bare, bare) == []
    assert seen_by_both(bare, bare, Way(0.0, 180.0, 2.0)) is None
    assert beside(bare, bare, Way(0.0, 180.0, 2.0)) is None


@pytest.mark.parametrize("columns", [0, 256, 341])
def test_the_view_of_the_floor_turns_with_the_frame(columns: int) -> None:
    light = np.exp(np.random.default_rng(2).standard_normal((128, 256))).astype(np.float32)
    light = cv2.resize(light, (1024, 512), interpolation=cv2.INTER_CUBIC).clip(0.05)
    still = floor_detail(light, 20.0).astype(int)
    turned = floor_detail(np.roll(light, columns, axis=1), 20.0 + columns * 360 / 1024).astype(int)
    # Columns are halved for the floor; an odd turn falls between two of them.
    assert np.abs(still - turned).mean() < (0.5 if columns % 2 == 0 else 12)
