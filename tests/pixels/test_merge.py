"""Exposures joined, and rows taken from other places: compiled forms against their definitions."""

import numpy as np
import pytest

from panopipe.pixels.merge import merge
from panopipe.pixels.warp import nodes_of, warp

RANDOM = np.random.default_rng(18)


def joined(samples: np.ndarray, facts: np.ndarray, faded: bool = True) -> np.ndarray:
    flat = np.ascontiguousarray(samples, np.float32)
    out = np.empty(flat.shape[1:], np.float32)
    merge(flat, flat, np.full(len(flat), faded, np.uint8), facts.astype(np.float32), out)
    return out


def facts_of(times: list[float], slope: float = 1e-4, least: float = 1e-6) -> np.ndarray:
    dark = 3 * least**0.5 / max(times)
    return np.array([[[0.0, 1.0, time, slope, least, dark]] * 3 for time in times])


@pytest.mark.parametrize("width", [8, 128, 300])
def test_the_compiled_merge_gives_the_bits_of_its_definition(width: int) -> None:
    samples = RANDOM.uniform(0, 1.1, (4, 3, 3 * width)).astype(np.float32)
    tops = (samples + RANDOM.uniform(0, 0.1, samples.shape)).astype(np.float32)
    facts = facts_of([8, 2, 1, 0.25]).astype(np.float32)
    faded = np.array([1, 1, 0, 1], np.uint8)
    ours, defined = np.empty((2, 3, 3 * width), np.float32)
    merge(samples, tops, faded, facts, ours)
    merge.__wrapped__(samples, tops, faded, facts, defined)  # type: ignore[attr-defined]
    np.testing.assert_array_equal(ours, defined)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
@pytest.mark.parametrize("width", [16, 50, 96])
def test_the_compiled_warp_gives_the_bits_of_its_definition(dtype: type, width: int) -> None:
    rows = RANDOM.uniform(0, 250, (9, width, 3)).astype(dtype)
    nodes = nodes_of(width)
    places = np.stack(np.broadcast_arrays(np.arange(4)[:, None] + 2.3, nodes[None] - 7.6), -1)
    places = (places + RANDOM.uniform(-3, 3, places.shape)).astype(np.float32)
    ours, defined = np.empty((2, 4, width, 3), np.float32)
    warp(rows, places, 5, ours)
    warp.__wrapped__(rows, places, 5, defined)  # type: ignore[attr-defined]
    np.testing.assert_array_equal(ours, defined)


def test_a_whole_pixel_motion_moves_samples_untouched() -> None:
    rows = RANDOM.uniform(0, 1, (9, 48, 3)).astype(np.float32)
    places = np.stack(np.broadcast_arrays(np.arange(4)[:, None] + 3, nodes_of(48)[None] + 2), -1)
    out = np.empty((4, 48, 3), np.float32)
    warp(rows, places.astype(np.float32), 7, out)
    np.testing.assert_array_equal(out, np.roll(rows[3:7], -9, axis=1))


@pytest.mark.parametrize(
    ("light", "best_db"),
    [(0.0001, 3.75), (0.001, 20.45), (0.01, 32.73), (0.05, 40.10), (0.2, 39.91), (0.9, 39.49)],
)
def test_signal_to_noise_is_that_of_the_best_estimator(light: float, best_db: float) -> None:
    """SNR^2 of the best is the sum of the squares over the exposures below .95 of saturation (worked out for
    times 1, 4 and 16, S 1e-4 and O 1e-6); .95 to .85 is the roll-off, so .05 at 16 is .8: trusted."""
    times, count = np.array([16.0, 4.0, 1.0]), 300_000
    mean = times * light
    sd = np.sqrt(1e-4 * mean + 1e-6)
    noisy = np.minimum(mean[:, None] + sd[:, None] * RANDOM.standard_normal((3, count)), 1)
    noisy[mean >= 0.95] = 1
    found = joined(noisy[:, None], facts_of([16, 4, 1]))
    snr = 20 * np.log10(light / np.std(found))
    assert abs(snr - best_db) < (0.5 if light < 0.9 else 1.0)
    assert abs(found.mean() / light - 1) < 4 * 10 ** (-best_db / 20) / np.sqrt(count) + 2e-3
