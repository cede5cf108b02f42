"""Noise: how it spreads over scales, how it is measured, and what is taken out."""

import numpy as np
import pytest

from panopipe.frame import NoiseFacts
from panopipe.pixels.opponent import OPPONENT_OF_LIGHT
from panopipe.studies.noise.clean import Cleaning, fine_reach, joined
from panopipe.studies.noise.measure import MARGIN, SCALES, STRETCHES, Gatherer, groups_of_rows, is_sound
from panopipe.studies.noise.model import _LEAST_OF_WHITE, NoiseModel, fitted
from panopipe.studies.noise.scales import (
    _smoothed,
    columns_of,
    halved_shares,
    has_room,
    reach_rows,
    stretches,
    white_overlap,
    white_shares,
)

HEIGHT = 256
PHOTONS, READING = 4e-4, 4e-6
"""2,500 electrons at saturation and 5 of read noise: a small sensor two stops above its base sensitivity."""
MIX = np.array([[1.7, -0.6, -0.1], [-0.2, 1.5, -0.3], [0.0, -0.5, 1.5]])


def shaded(height: int = HEIGHT) -> np.ndarray:
    """Samples of a smooth wall from deep shade to bright light, every level in every row."""
    light = 2.0 ** (-7 + 5.5 * (0.5 - 0.5 * np.cos(np.linspace(0, 2 * np.pi, 2 * height))))
    return np.tile(light[None, :, None], (height, 1, 3)) * [0.8, 1.0, 0.7]


def noisy(samples: np.ndarray, seed: int = 1) -> np.ndarray:
    sd = np.sqrt(PHOTONS * samples + READING)
    return (samples + sd * np.random.default_rng(seed).standard_normal(samples.shape)).astype(np.float32)


def facts_of(samples: np.ndarray, profile: np.ndarray | None = None) -> NoiseFacts:
    gatherer = Gatherer(len(samples), MIX)
    for first, last in groups_of_rows(len(samples)):
        rows = samples[first:last].astype(np.float32)
        gatherer.take(rows, first, np.zeros(rows.shape[:2], bool))
    return gatherer.result(profile)


def test_smoothing_and_shares_are_those_published() -> None:
    """Starck & Murtagh, Astronomical Image and Data Analysis, 2nd ed. 2006 (cubic B-spline, 2-D): white noise
    has the deviations .889, .200, .086, .041 at scales 1 to 4 (simulated; from memory)."""
    found = []
    for scale in range(4):
        wide = _smoothed(scale + 1)
        narrow = np.pad(_smoothed(scale), (len(wide) - len(_smoothed(scale))) // 2)
        found.append(np.linalg.norm(np.outer(narrow, narrow) - np.outer(wide, wide)))
        across = np.linalg.norm(np.outer(wide, narrow - wide)) ** 2
        both = np.linalg.norm(np.outer(narrow - wide, narrow - wide)) ** 2
        assert white_shares(scale) == pytest.approx((across, across, both))
        assert (white_overlap(scale) * sum(white_shares(scale))) ** 0.5 == pytest.approx(found[-1])
    assert found == pytest.approx([0.889, 0.200, 0.086, 0.041], abs=0.002)


def test_rows_are_stretched_as_the_sphere_stretches_them() -> None:
    rows = np.arange(-3, 1027)
    stretch = stretches(rows, 1024)
    assert stretch[3 + 512] == 0
    assert stretch[3 + round(1024 * 30 / 180)] == 1  # 60 degrees of pitch: twice as wide
    assert np.array_equal(stretch[:3], stretch[3:6][::-1])
    assert columns_of(stretch, 8, 64).max() * 6 <= 64


def test_the_reach_of_scales() -> None:
    assert [reach_rows(spacings) for spacings in ([], [1], [1, 2], [1, 2, 4])] == [0, 5, 11, 23]
    assert not has_room(6, [1])
    assert has_room(512, [1, 2])
    assert fine_reach(3072, 3) == 2 * 11 + 5
    assert fine_reach(3071, 3) == 23


def test_what_halving_takes_from_noise() -> None:
    """The mean of two by two pixels: some of what they show at the finest, nothing of what is coarse."""
    assert halved_shares(64) == pytest.approx((1, 1, 1), abs=0.01)
    assert all(0.4 < share < 1 for share in halved_shares(1))


def test_noise_is_measured_within_a_tenth() -> None:
    """Of its standard deviation; steps of a quarter of an octave of variance add up to 4.5 %."""
    model = fitted([facts_of(noisy(shaded(512), seed)) for seed in range(3)])
    for level in (0.01, 0.05, 0.18):
        found = model.profile.mean(axis=0) @ [level, 1]
        assert np.sqrt(found / (PHOTONS * level + READING)) == pytest.approx(1, abs=0.145)
    expected = [[white_shares(scale, at) for scale in range(SCALES)] for at in range(STRETCHES)]
    ratio = np.sqrt(model.shares.mean(axis=-1) / np.array(expected))
    assert np.abs(ratio[:2] - 1).max() < 0.145


def test_a_clean_frame_has_hardly_any() -> None:
    model = fitted([facts_of(shaded())])
    assert model is None or model.profile.mean(axis=0) @ [0.05, 1] < 0.01 * (PHOTONS * 0.05 + READING)


def test_noise_low_in_a_merged_bracket_is_found_as_it_is_higher_up() -> None:
    """Six stops below: its white is cut that far above the room, its noise is as strong against the light."""
    share = 2.0**-6
    model = fitted([facts_of(noisy(shaded(512)) * share)])
    assert model is not None
    found = model.profile.mean(axis=0) @ [0.05 * share, 1]
    assert np.sqrt(found) / share == pytest.approx(np.sqrt(PHOTONS * 0.05 + READING), rel=0.145)


def test_the_grain_of_a_frame_is_its_noise_against_its_dimmer_light() -> None:
    """White noise, an EV below the middle level."""
    told, light = np.tile([PHOTONS, READING], (3, 1)), np.zeros((STRETCHES, 12, 3), np.float32)
    light[0, 4:7] = np.array([0.05, 0.1, 0.2])[:, None]
    shares = [[white_shares(scale, at) for scale in range(SCALES)] for at in range(STRETCHES)]
    model = NoiseModel(told, np.repeat(np.array(shares)[..., None], 3, axis=-1))
    expected = np.sqrt(PHOTONS * 0.05 + READING) / 0.05 / np.sqrt(3)
    assert model.grain(light) == pytest.approx(expected, rel=0.01)
    assert model.grain(np.zeros_like(light)) == 0


def leaves(seed: int = 4) -> np.ndarray:
    """Coloured texture everywhere, as strong at every scale: what leaves and gravel are near to."""
    random, texture = np.random.default_rng(seed), np.zeros((512, 1024, 3))
    for step in (2, 4, 8):
        small = random.standard_normal((512 // step, 1024 // step, 3)) * 0.08
        texture += np.kron(small, np.ones((step, step, 1)))
    softened = (texture + np.roll(texture, 1, axis=0)) / 2
    softened = (softened + np.roll(softened, 1, axis=1)) / 2
    return shaded(512) * np.exp2(softened)


def test_texture_everywhere_is_no_noise() -> None:
    assert fitted([facts_of(leaves())]) is None
    told = np.tile([PHOTONS, READING], (3, 1))
    assert fitted([facts_of(leaves(), told)]) is None


def test_noise_amid_texture_is_found_and_not_much_more() -> None:
    """Within a factor of two of the variance of twelve times the noise, where texture has as much."""
    samples = leaves()
    sd = np.sqrt(12 * (PHOTONS * samples + READING))
    grainy = samples + sd * np.random.default_rng(1).standard_normal(samples.shape)
    found = fitted([facts_of(grainy.astype(np.float32))]).profile.mean(axis=0) @ [0.05, 1]
    assert 0.5 < found / (12 * (PHOTONS * 0.05 + READING)) < 2


def test_light_that_is_full_of_texture_does_not_speak_for_plain_light() -> None:
    """Photon noise in six bins of light; in the dimmest and the brightest, texture outweighs it."""
    energy, light = (
        np.zeros((STRETCHES, SCALES, 3, 3, 12), np.float32),
        np.zeros((STRETCHES, 12, 3), np.float32),
    )
    for number, texture in zip(range(2, 8), (1.1, 0.1, 0, 0, 0, 40.0), strict=True):
        level = 0.0017 * 2.0 ** (number - 2)
        light[0, number] = level
        mixed = ((OPPONENT_OF_LIGHT @ MIX) ** 2).sum(axis=1) * PHOTONS * level
        for scale in range(SCALES):
            noise = np.outer(_LEAST_OF_WHITE[0, scale] * white_shares(scale), mixed)
            next_to = np.outer(_LEAST_OF_WHITE[0, 1] * white_shares(1), mixed)
            energy[0, scale, :, :, number] = noise + texture * next_to
    model = fitted([NoiseFacts(energy, light, MIX, 1024)])
    assert model is not None
    for level in (0.007, 0.027):
        found = model.profile.mean(axis=0) @ [level, 1]
        assert np.sqrt(found / (PHOTONS * level)) == pytest.approx(1, abs=0.145)


def test_what_the_file_tells_is_the_most_that_is_believed() -> None:
    told = np.tile([PHOTONS / 4, READING / 16], (3, 1))
    model = fitted([facts_of(noisy(shaded()), told)])
    step = 2 ** (1 / 8)
    assert np.all(model.profile <= told * step)
    empty = NoiseFacts(
        np.zeros((4, 2, 3, 3, 12), np.float32), np.zeros((4, 12, 3), np.float32), MIX, 512, told
    )
    assert np.array_equal(fitted([empty]).profile, told)


def test_frames_join_in_any_order() -> None:
    frames = [facts_of(noisy(shaded(), seed)) for seed in range(3)]
    one, other = fitted(frames), fitted(frames[::-1])
    assert np.array_equal(one.profile, other.profile)
    assert np.array_equal(one.shares, other.shares)


def test_facts_from_a_stranger_are_looked_at() -> None:
    facts = facts_of(noisy(shaded()))
    assert is_sound(facts)
    for name, value in {
        "energy": np.zeros(3),
        "light": "none",
        "light_from_samples": np.full((3, 3), np.nan),
        "width": "wide",
        "profile": np.full((3, 2), 1e9),
    }.items():
        fields = {key: getattr(facts, key) for key in NoiseFacts.__slots__} | {name: value}
        assert not is_sound(NoiseFacts(**fields))


def white_model() -> NoiseModel:
    shares = [[white_shares(scale, at) for scale in range(SCALES)] for at in range(STRETCHES)]
    return NoiseModel(np.tile([PHOTONS, READING], (3, 1)), np.repeat(np.array(shares)[..., None], 3, axis=-1))


def cleaning(grain: float = 0.2, cloud: float = 0.0) -> Cleaning:
    model = white_model()
    return Cleaning(model, 2 * HEIGHT, model.variance_form(MIX), grain, cloud)


def test_variance_of_planes_is_that_of_mixed_samples() -> None:
    samples = np.array([0.3, 0.2, 0.1])
    random = np.random.default_rng(2).standard_normal((200_000, 3)) * np.sqrt(PHOTONS * samples + READING)
    planes = random @ (OPPONENT_OF_LIGHT @ MIX).T
    form = white_model().variance_form(MIX)
    expected = form @ np.append(OPPONENT_OF_LIGHT @ MIX @ samples, 1)
    assert planes.var(axis=0) == pytest.approx(expected, rel=0.02)  # 3 standard errors of 200,000


def test_noise_goes_and_edges_stay() -> None:
    samples = shaded()
    samples[60:120, 100:110] *= [3, 0.5, 1]
    clean = (samples @ MIX.T).astype(np.float32)
    light = (noisy(samples) @ MIX.T).astype(np.float32)
    done = light + joined(cleaning().whole(light, 1))[1:-1]
    assert np.square(done - clean).mean() < 0.15 * np.square(light - clean).mean()
    stripe = (slice(65, 115), slice(102, 108))
    gap = done[stripe].mean(axis=(0, 1)) - clean[stripe].mean(axis=(0, 1))
    assert np.abs(gap).max() < 0.02 * clean[stripe].max()


def test_a_turn_by_coarsest_pixels_turns_it_and_all_kept_is_nothing_changed() -> None:
    light = (noisy(shaded()) @ MIX.T).astype(np.float32)
    change = cleaning().whole(light, 1)[:, 1:-1]
    turned = cleaning().whole(np.ascontiguousarray(np.roll(light, 96, axis=1)), 1)[:, 1:-1]
    assert np.array_equal(np.roll(change, 96, axis=2), turned)
    assert np.abs(cleaning(1, 1).whole(light, 1)).max() < 1e-6


def test_too_few_rows_tell_nothing() -> None:
    gatherer = Gatherer(8, MIX)
    gatherer.take(np.ones((8, 16, 3), np.float32), 0, np.zeros((8, 16), bool))
    assert not gatherer.result().energy.any()
    assert fitted([gatherer.result()]) is None
    assert MARGIN == 6
