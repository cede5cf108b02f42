"""Exposures joined, and rows taken from other places: compiled forms against their definitions."""

import numpy as np
import pytest

from panopipe.pixels.merge import highest_share, merge
from panopipe.pixels.warp import nodes_of, warp

RANDOM = np.random.default_rng(18)


def joined(samples: np.ndarray, facts: np.ndarray, faded: bool = True) -> np.ndarray:
    flat = np.ascontiguousarray(samples, np.float32)
    out = np.empty(flat.shape[1:], np.float32)
    merge(flat, highest(flat), np.full(len(flat), faded, np.uint8), facts.astype(np.float32), out)
    return out


def highest(shares: np.ndarray) -> np.ndarray:
    return np.ascontiguousarray(shares.reshape(*shares.shape[:2], -1, 3).max(axis=-1), np.float32)


def facts_of(times: list[float], slope: float = 1e-4, least: float = 1e-6) -> np.ndarray:
    dark = 3 * least**0.5 / max(times)
    return np.array([[[0.0, 1.0, time, slope, least, dark]] * 3 for time in times])


@pytest.mark.parametrize("width", [8, 128, 300])
def test_the_compiled_merge_gives_the_bits_of_its_definition(width: int) -> None:
    samples = RANDOM.uniform(0, 1.1, (4, 5, 3 * width)).astype(np.float32)
    near = highest(samples[:, 1:-1]) + RANDOM.uniform(0, 0.1, (4, 3, width)).astype(np.float32)
    facts = facts_of([8, 2, 1, 0.25]).astype(np.float32)
    faded = np.array([1, 1, 0, 1], np.uint8)
    ours, defined = np.empty((2, 3, 3 * width), np.float32)
    merge(samples, near, faded, facts, ours)
    merge.__wrapped__(samples, near, faded, facts, defined)  # type: ignore[attr-defined]
    np.testing.assert_array_equal(ours, defined)


def test_the_compiled_highest_share_gives_the_bits_of_its_definition() -> None:
    samples = RANDOM.uniform(0, 60000, (3, 3 * 45)).astype(np.float32)
    levels = np.array([[100, 1e-5], [200, 2e-5], [150, 1.5e-5]], np.float32)
    ours, defined = np.empty((2, 3, 45), np.float32)
    highest_share(samples, levels, ours)
    highest_share.__wrapped__(samples, levels, defined)  # type: ignore[attr-defined]
    np.testing.assert_array_equal(ours, defined)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
@pytest.mark.parametrize("width", [16, 50, 96])
@pytest.mark.parametrize("spread", [0, 0.5, 3])  # whole steps, some that are cut, and pixels far apart
def test_the_compiled_warp_gives_the_bits_of_its_definition(dtype: type, width: int, spread: float) -> None:
    rows = RANDOM.uniform(0, 250, (9, width, 3)).astype(dtype)
    nodes = nodes_of(width)
    places = np.stack(np.broadcast_arrays(np.arange(4)[:, None] + 2.3, nodes[None] - 7.6), -1)
    places = (places + RANDOM.uniform(-spread, spread, places.shape)).astype(np.float32)
    ours, defined = np.empty((2, 4, width, 3), np.float32)
    warp(rows, 1, places, 5, ours)
    warp.__wrapped__(rows, 1, places, 5, defined)  # type: ignore[attr-defined]
    np.testing.assert_array_equal(ours, defined)


def test_a_whole_pixel_motion_moves_samples_untouched() -> None:
    rows = RANDOM.uniform(0, 1, (9, 48, 3)).astype(np.float32)
    places = np.stack(np.broadcast_arrays(np.arange(4)[:, None] + 3, nodes_of(48)[None] + 2), -1)
    out = np.empty((4, 48, 3), np.float32)
    warp(rows, 0, places.astype(np.float32), 7, out)
    np.testing.assert_array_equal(out, np.roll(rows[3:7], -9, axis=1))


@pytest.mark.parametrize(
    ("light", "best_db"),
    [(0.0001, 3.75), (0.001, 20.45), (0.01, 32.73), (0.05, 40.10), (0.2, 39.91), (0.9, 39.49)],
)
def test_signal_to_noise_is_that_of_the_best_estimator(light: float, best_db: float) -> None:
    """SNR^2 of the best is the sum of the squares over the exposures below .95 of saturation (worked out for
    times 1, 4 and 16, S 1e-4 and O 1e-6)."""
    times, count = np.array([16.0, 4.0, 1.0]), 300_000
    mean = times * light
    sd = np.sqrt(1e-4 * mean + 1e-6)
    noisy = np.minimum(mean[:, None] + sd[:, None] * RANDOM.standard_normal((3, count)), 1)
    noisy[mean >= 0.95] = 1
    found = joined(noisy[:, None], facts_of([16, 4, 1]))
    snr = 20 * np.log10(light / np.std(found))
    assert abs(snr - best_db) < 0.5
    assert abs(found.mean() / light - 1) < 4 * 10 ** (-best_db / 20) / np.sqrt(count) + 2e-3


def test_what_a_saturated_neighbour_was_mixed_into_is_left_out() -> None:
    """Half of light 4, cut off at 1, half of .2: the long exposure holds .6, the short one all of it."""
    light = np.full((1, 1, 3), 0.5 * 4 + 0.5 * 0.2, np.float32)
    samples = np.concatenate([np.full((1, 1, 3), 0.6, np.float32), light / 8])
    facts = facts_of([1, 1 / 8]).astype(np.float32)
    out = np.empty((1, 3), np.float32)
    merge(samples, np.ones((2, 1, 1), np.float32), np.array([1, 0], np.uint8), facts, out)
    np.testing.assert_allclose(out, light[0], rtol=1e-6)


def test_beside_saturation_what_agrees_is_used() -> None:
    """Samples of .5 beside saturated ones, of which the shorter exposure tells the same: noise of both."""
    count, times = 300_000, np.array([1.0, 0.25])
    mean = times * 0.5
    noisy = mean[:, None] + np.sqrt(1e-4 * mean + 1e-6)[:, None] * RANDOM.standard_normal((2, count))
    samples = noisy[:, None].astype(np.float32)
    near = np.stack([np.ones((1, count // 3), np.float32), highest(samples)[1]])
    out = np.empty(samples.shape[1:], np.float32)
    merge(samples, near, np.array([1, 0], np.uint8), facts_of(list(times)).astype(np.float32), out)
    best = 1 / np.sqrt(np.sum(times**2 / (1e-4 * mean + 1e-6)))
    spread = np.quantile(np.abs(out - 0.5), 0.6827)
    assert 20 * np.log10(spread / best) < 0.5


def test_an_edge_that_lies_otherwise_in_another_exposure_is_shown_once() -> None:
    """Where the long exposure is dark and the short one bright by far more than noise, the long one tells."""
    samples = np.array([0.2, 0.2], np.float32)[:, None, None] * np.ones((1, 3), np.float32)
    out = np.empty((1, 3), np.float32)
    merge(samples, highest(samples), np.zeros(2, np.uint8), facts_of([1, 0.25]).astype(np.float32), out)
    np.testing.assert_allclose(out, 0.2, rtol=1e-3)  # a thousandth is left of others
