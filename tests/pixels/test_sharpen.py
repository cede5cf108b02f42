"""Sharpening: both forms give the same bits, walls stay, edges gain and do not ring."""

import numpy as np
import pytest

from panopipe.pixels import compiled
from panopipe.pixels.sharpen import sharpen

RANDOM = np.random.default_rng(4)
WEIGHTS = np.array([0.2627, 0.678, 0.0593], np.float32)
CONTROL = np.array([1.0, 0.01, 0.03], np.float32)
needs_kernels = pytest.mark.skipif(
    not compiled.COMPILED, reason="panopipe was installed without a compiler; the definitions in numpy run"
)


def sharpened(
    light: np.ndarray, distance: np.ndarray | None = None, control: np.ndarray = CONTROL
) -> np.ndarray:
    distance = np.ones(len(light), np.float32) if distance is None else distance
    out = np.empty((len(light) - 6, *light.shape[1:]), np.float32)
    slow = np.empty_like(out)
    sharpen(light, WEIGHTS, distance, control, out)
    sharpen.__wrapped__(light, WEIGHTS, distance, control, slow)
    assert np.array_equal(out, slow)
    return out


@pytest.mark.parametrize("width", [64, 131, 300])
def test_both_forms_give_the_same_bits(width: int) -> None:
    light = RANDOM.random((17, width, 3), dtype=np.float32) * np.float32(1.3) - np.float32(0.1)
    distance = (1 + RANDOM.random(17) * (width / 8 - 1.01)).astype(np.float32)
    turned = sharpened(np.ascontiguousarray(np.roll(light, 29, axis=1)), distance)
    assert np.array_equal(np.roll(sharpened(light, distance), 29, axis=1), turned)


def edge(blur: float, low: float = 0.1, high: float = 0.8) -> np.ndarray:
    """Two upright edges, blurred by a Gaussian."""
    columns = np.arange(256)
    rise = np.interp(columns, [64, 192], [0, 1], left=0, right=1) * 0 + ((columns >= 64) & (columns < 192))
    spectrum = np.fft.rfft(rise) * np.exp(-2 * (np.pi * np.fft.rfftfreq(256) * blur) ** 2)
    line = low + (high - low) * np.fft.irfft(spectrum, 256)
    return np.repeat(np.tile(line, (13, 1))[..., None], 3, axis=-1).astype(np.float32)


def test_edges_get_steeper_and_hardly_overshoot() -> None:
    before = edge(0.9)
    after = sharpened(before)
    assert np.diff(after[3, 50:80, 1]).max() > 1.25 * np.diff(before[3, 50:80, 1]).max()
    assert after.max() <= before.max() * 1.03 + 1e-6
    assert after.min() >= before.min() * 0.97 - 1e-6


def test_grain_of_a_wall_is_left() -> None:
    wall = 0.4 * (1 + 0.002 * RANDOM.standard_normal((60, 256, 1))).repeat(3, axis=2)
    wall = wall.astype(np.float32)
    assert sharpened(wall).std() < 1.1 * wall[3:-3].std()


def test_clipped_and_unlit_places_are_left_alone() -> None:
    light = edge(0.9, 0.0, 1.5)
    after = sharpened(light)
    untouched = (light[3:-3].max(axis=-1) >= 1) | (light[3:-3].max(axis=-1) <= 1e-12)
    assert np.array_equal(after[untouched], light[3:-3][untouched])


@needs_kernels
def test_distances_that_lead_out_of_the_row_are_refused() -> None:
    light, out = np.zeros((10, 64, 3), np.float32), np.zeros((4, 64, 3), np.float32)
    for distance in (0.5, 9.0, float("nan")):
        with pytest.raises(ValueError, match="distance"):
            sharpen(light, WEIGHTS, np.full(10, distance, np.float32), CONTROL, out)
    with pytest.raises(ValueError, match="out"):
        sharpen(light, WEIGHTS, np.ones(10, np.float32), CONTROL, out[:3])
