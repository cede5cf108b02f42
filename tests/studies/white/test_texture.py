"""Grain parts paint from wood: shading and edges are none, boards are."""

import numpy as np

from panopipe.studies.white.texture import SMOOTH, smoothness

HEIGHT = 256


def shaded() -> np.ndarray:
    """A plain surface of luminance 0.1 to 0.4 whose light changes smoothly all around."""
    yaw = (np.arange(2 * HEIGHT) + 0.5) / HEIGHT * np.pi
    light = np.exp(np.log(2) * np.sin(yaw)) * 0.2
    return np.repeat(np.repeat(light[None, :, None], HEIGHT, axis=0), 3, axis=2).astype(np.float32)


def test_shading_is_no_grain() -> None:
    # Right at the poles light that differs by yaw is no shading of a plain surface.
    assert smoothness(shaded())[3:-3].min() > 0.95


def test_an_edge_is_grain_in_no_cell_but_its_own() -> None:
    rows = shaded()
    rows[:, : HEIGHT + 2] *= 0.5
    hard = smoothness(rows)[3:-3]
    assert (hard < 0.5).mean() < 4 / hard.shape[1]


def test_boards_of_different_tone_are_grain() -> None:
    # Independent tones of standard deviation 0.1 in strips two pixels wide: what is left of them after taking
    # off their surroundings has a median of over 0.03.
    tones = np.random.default_rng(3).normal(0, 0.1, HEIGHT).repeat(2)
    rows = shaded() * np.exp(tones)[None, :, None].astype(np.float32)
    assert np.median(smoothness(rows)) < 1 / (1 + (0.03 / SMOOTH) ** 2)


def test_it_does_not_ask_how_the_frame_is_turned() -> None:
    rows = shaded() * np.random.default_rng(4).uniform(0.8, 1.2, (HEIGHT, 2 * HEIGHT, 1)).astype(np.float32)
    turned = smoothness(np.roll(rows, 4 * 13, axis=1))
    np.testing.assert_allclose(turned, np.roll(smoothness(rows), 13, axis=1), atol=1e-4)
