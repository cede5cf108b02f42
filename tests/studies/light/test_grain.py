import numpy as np
import pytest

from panopipe.studies.light.grain import grain_ev


def shaded(sigma_ev: float, width: int = 256) -> np.ndarray:
    """Light that falls by four stops across the frame, with noise."""
    fall = np.linspace(-1, -5, width) * np.ones((width // 2, 1))
    return (fall + sigma_ev * np.random.default_rng(4).standard_normal(fall.shape)).astype(np.float32)


@pytest.mark.parametrize("sigma_ev", [0.02, 0.1, 0.3])
def test_noise_is_found_as_it_was_made(sigma_ev: float) -> None:
    # The smoothest fifth of blocks of 64 pixels reads low by its own spread: 1.25 / sqrt(64) = 16 %, and
    # four fifths of a normal distribution lie above -0.84 of it.
    assert grain_ev(shaded(sigma_ev)) == pytest.approx(sigma_ev * (1 - 0.84 * 0.16), rel=0.06)


def test_texture_in_a_part_of_the_frame_is_no_noise() -> None:
    light = shaded(0.02)
    light[:64] += np.random.default_rng(5).standard_normal((64, 256)).astype(np.float32)
    assert grain_ev(light) < 0.03


def test_black_has_no_noise_to_see() -> None:
    assert grain_ev(np.full((64, 128), -20, np.float32)) == 0
    assert grain_ev(np.full((4, 4), -3, np.float32)) == 0
