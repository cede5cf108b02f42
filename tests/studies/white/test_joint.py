"""The joint solution on small made-up jobs: votes, rooms, outliers, hand settings, order."""

from dataclasses import replace

import numpy as np
import pytest

from panopipe.studies.white.cones import locus
from panopipe.studies.white.evidence import Evidence, Kind, Paint
from panopipe.studies.white.joint import solve_whites
from panopipe.studies.white.matches import Pair, Shared
from panopipe.studies.white.votes import FrameObservation

LAMP, DAY = locus(1e6 / 2900), locus(1e6 / 6000)


def paint(
    log_chromaticity: np.ndarray, *, area: float = 3.0, bright: float = -0.05, kind: Kind = Kind.WALL
) -> Paint:
    return Paint((float(log_chromaticity[0]), float(log_chromaticity[1])), area, bright, kind)


def seen(*paints: Paint, sky: float = 0.0) -> Evidence:
    return Evidence(paints, 0.01, -1.0, sky)


def room(name: str, *paints: Paint) -> FrameObservation:
    return FrameObservation(name, seen(*paints), camera_known=True)


def whites(light: np.ndarray) -> tuple[Paint, Paint]:
    return paint(light, kind=Kind.CEILING, area=2.0), paint(light)


def off(found: tuple[float, float], light: np.ndarray) -> float:
    return float(np.hypot(*(np.array(found) - light)))


def test_white_rooms_get_their_lights() -> None:
    found, _ = solve_whites([room("a", *whites(LAMP)), room("b", *whites(DAY))], [])
    assert off(found[0].log_chromaticity, LAMP) < 0.02
    assert off(found[1].log_chromaticity, DAY) < 0.02


def test_coloured_walls_are_voted_down_by_the_ceiling() -> None:
    red = paint(LAMP + np.array((0.25, -0.6)), area=6.0, bright=-0.9)
    found, _ = solve_whites([room("a", paint(LAMP, kind=Kind.CEILING, area=2.0), red)], [])
    assert off(found[0].log_chromaticity, LAMP) < 0.03


def test_a_wooden_ceiling_is_voted_down_by_the_walls() -> None:
    wood = paint(LAMP + np.array((0.22, -0.65)), kind=Kind.CEILING, bright=-1.2)
    found, _ = solve_whites([room("a", wood, paint(LAMP, area=5.0))], [])
    assert off(found[0].log_chromaticity, LAMP) < 0.03


def test_usual_walls_are_judged_by_the_ceilings_of_other_rooms() -> None:
    cream = np.array((0.02, -0.065))
    rooms = [room(str(i), paint(LAMP, kind=Kind.CEILING), paint(LAMP + cream)) for i in range(6)]
    wood = paint(LAMP + np.array((0.22, -0.65)), kind=Kind.CEILING, bright=-1.2)
    rooms.append(room("w", wood, paint(LAMP + cream)))
    found, offsets = solve_whites(rooms, [])
    assert off(found[-1].log_chromaticity, LAMP) < 0.4 * np.hypot(*cream)
    assert off(tuple(offsets[Kind.WALL]), cream) < 0.4 * np.hypot(*cream)


def test_a_frame_that_shows_nothing_follows_its_room() -> None:
    found, _ = solve_whites([room("a", *whites(LAMP)), room("a")], [])
    assert off(found[1].log_chromaticity, LAMP) < 0.05
    assert found[1].confidence < found[0].confidence


def test_a_room_that_shows_nothing_stays_near_the_camera_or_its_neighbours() -> None:
    found, _ = solve_whites([room("a", *whites(LAMP)), room("b"), room("c", *whites(LAMP))], [])
    assert np.hypot(*found[1].log_chromaticity) <= np.hypot(*LAMP)
    assert found[1].confidence < 0.45


def test_a_lone_frame_that_shows_next_to_nothing_keeps_the_camera_s_white() -> None:
    doubtful = paint(LAMP, area=0.1, bright=-0.6)
    found, _ = solve_whites(
        [FrameObservation("a", seen(doubtful), camera=(0.1, -0.25), camera_known=True)], []
    )
    assert np.hypot(*found[0].log_chromaticity) < 0.02
    assert found[0].confidence < 0.45


def test_a_hand_set_white_is_kept_and_moves_its_room() -> None:
    hand = tuple(float(v) for v in LAMP + np.array((0.0, -0.08)))
    first, second = room("a", *whites(LAMP)), room("a", *whites(LAMP))
    free, _ = solve_whites([first, second], [])
    found, _ = solve_whites([replace(first, hand=hand), second], [])
    np.testing.assert_allclose(found[0].log_chromaticity, hand, atol=1e-4)
    assert off(found[1].log_chromaticity, np.array(hand)) < off(free[1].log_chromaticity, np.array(hand))


def test_shared_surfaces_must_agree() -> None:
    # Both frames show one doubtful wall; the match says that the camera recorded the second bluer by 0.1.
    doubtful = paint(LAMP, bright=-0.6)
    link = Pair(0, 1, Shared(30, (0.0, -0.1, 0.0), 0.003))
    found, _ = solve_whites([room("a", *whites(LAMP)), room("a", doubtful)], [link])
    assert found[0].log_chromaticity[1] - found[1].log_chromaticity[1] == pytest.approx(-0.1, abs=0.04)


@pytest.mark.parametrize("kelvin", [3600.0, 4400.0])
def test_sky_is_lit_by_daylight_whatever_the_surfaces_show(kelvin: float) -> None:
    camera = locus(1e6 / kelvin)
    warm = paint(locus(1e6 / 2500) - camera, bright=0.0)
    sunset = FrameObservation(
        "garden", seen(warm, sky=1.0), (float(camera[0]), float(camera[1])), camera_known=True
    )
    found, _ = solve_whites([sunset], [])
    assert off(found[0].log_chromaticity, locus(1e6 / 5800) - camera) < 0.08


@pytest.mark.parametrize("kelvin", [5200.0, 6500.0])
def test_a_camera_set_to_daylight_is_left_alone_under_the_sky(kelvin: float) -> None:
    camera = locus(1e6 / kelvin)
    blue, warm = (paint(locus(1e6 / k) - camera) for k in (20000, 3000))
    open_field = FrameObservation(
        "field", seen(blue, warm, sky=0.95), (float(camera[0]), float(camera[1])), camera_known=True
    )
    found, _ = solve_whites([open_field], [])
    assert np.hypot(*found[0].log_chromaticity) < 0.04


def test_the_front_door_parts_inside_from_outside() -> None:
    dark_hall = room("hall", paint(LAMP, area=0.1, bright=-0.5))
    garden = FrameObservation("garden", seen(paint(DAY, area=6.0), sky=1.0), camera_known=True)
    alone, _ = solve_whites([dark_hall], [])
    found, _ = solve_whites([dark_hall, garden], [])
    outside, _ = solve_whites([garden], [])
    assert off(found[0].log_chromaticity, np.array(alone[0].log_chromaticity)) < 0.01
    assert off(found[1].log_chromaticity, np.array(outside[0].log_chromaticity)) < 0.01


def test_one_blown_ceiling_makes_no_sky() -> None:
    blown = FrameObservation("a", seen(*whites(LAMP), sky=0.9), camera_known=True)
    found, _ = solve_whites([blown, room("a", *whites(LAMP))], [])
    assert off(found[0].log_chromaticity, LAMP) < 0.02


def test_a_green_light_is_held_to_the_locus() -> None:
    green = LAMP + np.array((-0.5, -0.15))
    found, _ = solve_whites([room("a", paint(green, area=6.0))], [])
    assert off(found[0].log_chromaticity, green) > 0.1


def test_the_same_every_time() -> None:
    observations = [room("a", *whites(LAMP)), room("b", *whites(DAY), paint(LAMP, bright=-0.2))]
    first, second = (solve_whites(observations, [])[0] for _ in range(2))
    assert first == second


def test_a_room_without_paint_is_judged_by_its_mean_and_not_by_the_camera() -> None:
    # The camera stood at 4500 K, the mean of the room at 2400 K: its light lies a little before that.
    mean, camera = locus(1e6 / 2400), locus(1e6 / 4500)
    decoded = mean - camera
    evidence = replace(seen(), mean=(float(decoded[0]), float(decoded[1])))
    bare = FrameObservation("a", evidence, (float(camera[0]), float(camera[1])), camera_known=True)
    found, _ = solve_whites([bare], [])
    light = np.array(found[0].log_chromaticity) + camera
    assert off(light, locus(1e6 / 2400 - 40)) < 0.1 < off(light, camera)


def test_boards_that_look_like_paint_are_not_heard_like_paint() -> None:
    wood = replace(paint(locus(1e6 / 3300), kind=Kind.CEILING, area=5.0), smooth=0.05)
    found, _ = solve_whites([room("a", wood, paint(locus(1e6 / 4500), area=1.0))], [])
    assert off(found[0].log_chromaticity, locus(1e6 / 4500)) < 0.05
