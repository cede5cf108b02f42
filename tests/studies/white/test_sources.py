"""Lamps are told by what is far brighter than the room: warm if a lamp, cold if a window."""

import numpy as np
import pytest

from panopipe.colour.temperature import xy_from_cct_duv
from panopipe.sphere.geometry import pixel_solid_angle
from panopipe.studies.white.cones import (
    WORKING_FROM_CONES,
    camera_log_chromaticity,
    log_chromaticity_from_xy,
)
from panopipe.studies.white.sources import _middle, lamp_seen

CAMERA_XY = (0.3608, 0.3635)  # 4500 K
CAMERA = camera_log_chromaticity(CAMERA_XY)


def light(kelvin: float) -> np.ndarray:
    """Light of a temperature as decoded, luminance about 1."""
    red, blue = log_chromaticity_from_xy(xy_from_cct_duv(kelvin)) - CAMERA
    return np.array([np.exp(red), 1.0, np.exp(blue)]) @ WORKING_FROM_CONES.T


def room(*sources: float) -> np.ndarray:
    """An orange room of one light, and patches ten times as bright."""
    rows = np.full((256, 512, 3), 0.1 * light(2900.0), np.float32)
    for at, kelvin in enumerate(sources):
        rows[110:140, 40 + 90 * at : 70 + 90 * at] = light(kelvin)
    return rows


@pytest.mark.parametrize(
    ("sources", "seen"),
    [((6500.0,), 0.0), ((6500.0, 2700.0), 1.0), ((2400.0,), 1.0), ((6500.0, 5000.0), 0.0), ((), 1.0)],
)
def test_a_lamp_is_what_is_bright_and_warm(sources: tuple[float, ...], seen: float) -> None:
    """Where nothing is bright a lamp may be out of view."""
    assert lamp_seen(room(*sources), CAMERA) == seen


def test_it_does_not_depend_on_exposure() -> None:
    rows = room(6500.0, 2700.0)
    rows[110:140, 130:155] = 0.1  # part of the lamp is left
    assert lamp_seen(rows, CAMERA) == pytest.approx(lamp_seen(8 * rows, CAMERA), abs=1e-6)


@pytest.mark.parametrize("seed", range(3))
def test_the_middle_is_that_of_all_pixels_in_order(seed: int) -> None:
    random = np.random.default_rng(seed)
    light = random.lognormal(-2, 1, (32, 64)).astype(np.float32)
    light[random.random(light.shape) < 0.2] = light[0, 0]
    share = pixel_solid_angle(32) / (4 * np.pi)
    order = np.argsort(light, axis=None, kind="stable")
    heaped = np.cumsum(np.repeat(share, 64)[order])
    assert _middle(light, share) == light.ravel()[order][np.searchsorted(heaped, 0.5)]


def test_the_middle_of_a_black_frame() -> None:
    share = pixel_solid_angle(32) / (4 * np.pi)
    assert _middle(np.zeros((32, 64), np.float32), share) == 0
    assert _middle(np.full((32, 64), -1, np.float32), share) == 0
