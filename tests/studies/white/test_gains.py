import numpy as np
import pytest

from panopipe.colour.spaces import LUMINANCE_OF_WORKING
from panopipe.studies.white.cones import WORKING_FROM_CONES, correction_matrix, log_chromaticity_from_working
from panopipe.studies.white.gains import local_gains

PLACE = np.array([0.2, -0.6])
CORRECTION = correction_matrix(PLACE, 1.0)


def no_difference() -> np.ndarray:
    return np.zeros((64, 128, 2))


def around() -> np.ndarray:
    """Light that is daylight on one side of the frame and a lamp's on the other."""
    yaw = np.linspace(0, 2 * np.pi, 128, endpoint=False)
    return np.ones((64, 1, 1)) * (np.cos(yaw)[None, :, None] * np.array([0.15, -0.5]))


def white_under(places: np.ndarray) -> np.ndarray:
    cones = np.stack([np.exp(places[..., 0]), np.ones((64, 128)), np.exp(places[..., 1])], axis=-1)
    return np.asarray(0.3 * cones @ WORKING_FROM_CONES.T, np.float32)


def test_where_light_is_even_nothing_changes() -> None:
    rows = np.random.default_rng(3).random((32, 64, 3), np.float32)
    found = rows.copy()
    local_gains(no_difference(), CORRECTION, 1.0, None).apply(found, 0)
    assert np.allclose(found, rows, atol=3e-6)  # a dozen roundings of float32


@pytest.mark.parametrize("share", [0.0, 0.5, 1.0])
def test_a_white_comes_to_the_frame_s_own_and_keeps_its_luminance(share: float) -> None:
    rows = white_under(PLACE + around())
    before = rows @ CORRECTION.T @ LUMINANCE_OF_WORKING
    local_gains(around(), CORRECTION, share, None).apply(rows, 0)
    balanced = rows @ CORRECTION.T
    left = log_chromaticity_from_working(balanced)
    assert np.allclose(
        left, (1 - share) * around(), atol=1e-3 if share == 1 else 0.03
    )  # 5 mired: another plane
    if share == 1:
        assert np.allclose(balanced @ LUMINANCE_OF_WORKING, before, rtol=3e-3)


def test_clipped_lamps_are_neither_mint_nor_blue() -> None:
    rows = np.full((32, 64, 3), 1.9, np.float32)
    local_gains(around(), CORRECTION, 1.0, 1.9).apply(rows, 0)
    assert np.allclose(rows @ CORRECTION.T, 1.9, atol=1e-4)


def test_clipped_lamps_in_one_light_as_well() -> None:
    rows = np.full((32, 64, 3), 1.9, np.float32)
    local_gains(no_difference(), CORRECTION, 1.0, 1.9).apply(rows, 0)
    assert np.allclose(rows @ CORRECTION.T, 1.9, atol=1e-4)


def test_one_clipped_pixel_in_one_light_is_taken_as_well() -> None:
    """It failed the frame: a row of one pixel is no row of a sphere."""
    rows = np.full((32, 64, 3), 0.3, np.float32)
    rows[7, 9] = 1.9
    local_gains(no_difference(), CORRECTION, 1.0, 1.9).apply(rows, 0)
    assert np.allclose(rows[7, 9] @ CORRECTION.T, 1.9, atol=1e-4)
    rows[7, 9] = 0.3
    assert np.all(rows == np.float32(0.3))
