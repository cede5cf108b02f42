"""Exteriors of known truth: their surfaces keep their own colours, and all of them are known as exteriors."""

from functools import lru_cache

import numpy as np
import pytest

from panopipe.studies.white.cones import camera_log_chromaticity, correction_matrix
from panopipe.studies.white.evidence import Evidence, Kind, Paint, gather
from panopipe.studies.white.joint import White, solve_whites
from panopipe.studies.white.votes import FrameObservation
from tests.scenes.exteriors import SCENES, Exterior, exterior

DAYLIGHT, LAMPS_AND_DAY = 5500.0, 4200.0
BAR = 4.0
"""Delta E 2000, mean over the surfaces."""


@lru_cache
def shot(name: str, camera_kelvin: float) -> tuple[Exterior, Evidence]:
    frame = exterior(name, camera_kelvin, 256)
    return frame, gather(frame.rows, camera_log_chromaticity(frame.camera_xy))


def observation(name: str, camera_kelvin: float) -> FrameObservation:
    frame, evidence = shot(name, camera_kelvin)
    return FrameObservation(name, evidence, camera_log_chromaticity(frame.camera_xy), camera_known=True)


def error(name: str, camera_kelvin: float, white: White) -> float:
    return shot(name, camera_kelvin)[0].error(correction_matrix(white.log_chromaticity, 1.0))


@pytest.mark.parametrize("name", SCENES)
@pytest.mark.parametrize("camera_kelvin", [DAYLIGHT, LAMPS_AND_DAY])
def test_an_exterior_keeps_its_own_colours(name: str, camera_kelvin: float) -> None:
    found, _ = solve_whites([observation(name, camera_kelvin)], [])
    assert error(name, camera_kelvin, found[0]) < BAR


@pytest.mark.parametrize("name", SCENES)
@pytest.mark.parametrize("camera_kelvin", [DAYLIGHT, LAMPS_AND_DAY])
def test_it_is_known_as_an_exterior_and_its_sky_is_no_white(name: str, camera_kelvin: float) -> None:
    evidence = shot(name, camera_kelvin)[1]
    assert evidence.open_sky > 0.8
    # What is left overhead are the tops of façades.
    votes_overhead = sum(paint.area_sr for paint in evidence.paints if paint.kind is Kind.CEILING)
    assert votes_overhead < 0.6


def test_rooms_beside_an_exterior_do_not_move_it_nor_it_them() -> None:
    camera = camera_log_chromaticity(shot("street", LAMPS_AND_DAY)[0].camera_xy)
    lamp = (0.12, -0.35)
    white = Evidence((Paint(lamp, 3.0, 0.0, Kind.CEILING),), 0.01, -1.0, 0.0)
    lamp_room = FrameObservation("hall", white, camera, camera_known=True)
    (room_alone,), _ = solve_whites([lamp_room], [])
    (street_alone,), _ = solve_whites([observation("street", LAMPS_AND_DAY)], [])
    (room, street), _ = solve_whites([lamp_room, observation("street", LAMPS_AND_DAY)], [])
    np.testing.assert_allclose(room.log_chromaticity, room_alone.log_chromaticity, atol=0.01)
    np.testing.assert_allclose(street.log_chromaticity, street_alone.log_chromaticity, atol=0.01)
