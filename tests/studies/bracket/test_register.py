"""Exposures laid on each other: a sway with its parallax is followed, a tripod stays still."""

import numpy as np
import pytest

from panopipe.sphere.geometry import direction, pitch_of_row, yaw_of_column
from panopipe.studies.bracket.register import Look, register
from tests.makers.bracket import room_light
from tests.scenes.sway import Room, Sway, swayed, true_places

NOISE = np.array([[1e-4, 1e-6]] * 3) / 36
WIDTH = 512


def look(light: np.ndarray, ev: float, seed: int) -> Look:
    mean = light * 2.0**ev
    sd = np.sqrt(mean * NOISE[0, 0] + NOISE[0, 1])
    noisy = mean + sd * np.random.default_rng(seed).standard_normal(mean.shape)
    return Look(np.clip(noisy, 0, 1).astype(np.float32), NOISE)


@pytest.fixture(scope="module")
def light() -> np.ndarray:
    import cv2  # noqa: PLC0415

    return cv2.GaussianBlur(room_light(WIDTH), (0, 0), 1.0)


def test_a_tripod_stays_still_and_the_ratio_is_found(light: np.ndarray) -> None:
    found = register(look(light, 0, 1), look(light, -2.3, 2))
    assert found.motion.is_still(6144)
    assert abs(found.ratio_ev + 2.3) < 0.02  # the tags are to be refined to better than a fiftieth
    assert found.agreement > 0.95


@pytest.mark.parametrize("lean_deg", [0.3, 1.0])
def test_a_sway_about_the_foot_is_followed_with_its_parallax(light: np.ndarray, lean_deg: float) -> None:
    """One degree moves the lens by 28 mm: up to 1.6 degrees on the floor. A turn alone would leave half of
    the walls by more than .3 degrees; a pixel of the picture is .7."""
    sway, room = Sway(lean_deg, 70.0), Room(pillars=())
    found = register(look(light, 0, 1), look(swayed(light, sway, room), -2, 2))
    yaw, pitch = np.meshgrid(
        yaw_of_column(np.arange(0, WIDTH, 8), WIDTH), pitch_of_row(np.arange(32, 224, 8), WIDTH // 2)
    )
    column, row = found.motion.places(yaw, pitch, WIDTH)
    ours = direction(yaw_of_column(column, WIDTH), pitch_of_row(row, WIDTH // 2))
    truth = direction(*true_places(sway, room, yaw, pitch))
    off = np.degrees(np.arccos(np.clip(np.sum(ours * truth, axis=-1), -1, 1)))
    assert np.median(off) < 0.07  # a tenth of a pixel
    assert found.agreement > 0.8


def test_another_place_does_not_agree(light: np.ndarray) -> None:
    found = register(look(light, 0, 1), look(room_light(WIDTH, seed=9), -2, 2))
    assert found.agreement < 0.2


@pytest.mark.parametrize("ev", [-4, -2, 2, 4])
def test_noise_alone_is_no_drift(light: np.ndarray, ev: float) -> None:
    """On a tripod no pixel of any exposure is resampled."""
    assert register(look(light, 0, 1), look(light, ev, 2)).motion.is_still(6144)
