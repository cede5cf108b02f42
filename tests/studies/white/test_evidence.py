"""What a frame says about its light, on rendered rooms of known truth."""

from functools import lru_cache

import numpy as np
import pytest

from panopipe.studies.white.cones import log_chromaticity_from_working
from panopipe.studies.white.evidence import Evidence, Kind, gather
from panopipe.studies.white.hand import surface_log_chromaticity
from tests.scenes.camera import expose
from tests.scenes.house import outdoor_scene, small_room
from tests.scenes.raycast import House, Picture, render
from tests.scenes.spectra import halogen

WIDTH = 256


@lru_cache
def lamp_room() -> tuple[np.ndarray, Picture]:
    truth = render(small_room(lamp=halogen(3000), window=False), (2.5, 1.5, 2.0), WIDTH)
    return expose(truth.rows, exposure_ev=-1.5, seed=1), truth


def light_of(truth: Picture) -> np.ndarray:
    return log_chromaticity_from_working(
        np.mean([truth.illuminant[mask].mean(axis=0) for mask in truth.cards.values()], axis=0)
    )


def largest(evidence: Evidence, kind: Kind) -> np.ndarray:
    return np.array(next(paint.log_chromaticity for paint in evidence.paints if paint.kind is kind))


def test_a_white_ceiling_shows_the_light() -> None:
    rows, truth = lamp_room()
    assert np.hypot(*(largest(gather(rows), Kind.CEILING) - light_of(truth))) < 0.05


def test_the_floor_is_dark_and_the_walls_are_bright() -> None:
    rows, _ = lamp_room()
    brightness = {paint.kind: paint.brightness for paint in reversed(gather(rows).paints)}
    assert brightness[Kind.LOW] < -0.5 < brightness[Kind.WALL]


def test_it_does_not_ask_how_the_frame_is_turned() -> None:
    rows, _ = lamp_room()
    first, second = gather(rows), gather(np.roll(rows, 8 * WIDTH // 128, axis=1))
    assert first.paints[0].log_chromaticity == pytest.approx(second.paints[0].log_chromaticity, abs=1e-5)


def test_exposure_is_not_colour() -> None:
    _, truth = lamp_room()
    dark, bright = (gather(expose(truth.rows, exposure_ev=ev, seed=None)) for ev in (-2.5, -1.5))
    assert dark.paints[0].log_chromaticity == pytest.approx(bright.paints[0].log_chromaticity, abs=0.01)


def test_a_garden_has_a_sky_and_a_room_has_not() -> None:
    garden = render(House((), outdoor_scene()), (5, 1.4, 1), WIDTH)
    rows, _ = lamp_room()
    assert gather(expose(garden.rows, exposure_ev=-5.5)).open_sky > 0.5
    assert gather(rows).open_sky < 0.1


def test_the_blue_sky_opposite_a_low_sun_is_sky_though_it_is_not_bright() -> None:
    rows = np.full((128, 256, 3), 0.2, np.float32)
    rows[:52] = (0.14, 0.2, 0.34)
    assert gather(rows, (0.0, 0.0)).open_sky > 0.9
    assert gather(rows * np.array((1.7, 1.0, 0.5), np.float32), (0.0, 0.0)).open_sky < 0.1


@pytest.mark.parametrize("level", [0.0, 5.0])
def test_nothing_recorded_is_no_evidence(level: float) -> None:
    evidence = gather(np.full((64, 128, 3), level, np.float32))
    assert evidence.paints == ()


def test_colours_out_of_gamut_do_no_harm() -> None:
    rows, _ = lamp_room()
    strange = rows.copy()
    strange[100:110, 20:60] = (-0.05, 0.4, 0.1)
    assert all(np.isfinite(paint.log_chromaticity).all() for paint in gather(strange).paints)


def test_a_hand_set_spot_reads_the_card() -> None:
    _, truth = lamp_room()
    rows = expose(truth.rows, exposure_ev=-1.5, seed=None)
    line, column = (int(np.mean(at)) for at in np.nonzero(truth.cards["back"]))
    yaw, pitch = ((column + 0.5) / WIDTH - 0.5) * 360, (0.5 - (line + 0.5) / (WIDTH / 2)) * 180
    log_chromaticity = surface_log_chromaticity(rows, yaw, pitch, 1.0)
    assert log_chromaticity == pytest.approx(
        log_chromaticity_from_working(truth.illuminant[line, column]), abs=0.03
    )


def test_a_clipped_spot_is_refused() -> None:
    assert surface_log_chromaticity(np.ones((64, 128, 3), np.float32), 10.0, 20.0, 3.0) is None


def test_a_spot_across_the_seam_and_at_the_pole() -> None:
    rows = np.full((64, 128, 3), 0.3, np.float32)
    rows[:, :2], rows[:, -2:] = 0.5, 0.5
    for yaw, pitch in ((180.0, 0.0), (0.0, 90.0)):
        assert surface_log_chromaticity(rows, yaw, pitch, 4.0) == pytest.approx((0, 0), abs=1e-6)
