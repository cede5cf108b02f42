"""The tonal curves and the tone benchmark's index against published values."""

import numpy as np
import pytest

from panopipe.frame import Band, Frame, FrameFacts, FrameKey
from panopipe.stage import StageContext
from panopipe.stages.tone import Tone, ToneSettings
from panopipe.studies.light.curve import KNEE, MIDDLE_GREY_EV
from tests.measures.tmqi import naturalness, tmqi, visibility_threshold

pytestmark = pytest.mark.outside


def shown(light: float, shoulder_ev: float) -> float:
    """What tone makes of a frame that is all of one grey, with nothing set but the white point."""
    settings = ToneSettings(0.0, 0.0, 0.0, 0.0, shoulder_ev, -16.0, 0.0)
    rows, facts = np.full((32, 64, 3), light, np.float32), FrameFacts(FrameKey("", "a"), 64, 32)
    prepared = Tone().prepare(StageContext(Frame(rows.copy(), facts)), settings).data
    return float(Tone().apply(Band(rows, 0, facts), settings, prepared)[16, 32].mean())


@pytest.mark.parametrize(("light", "display"), [(0.18, 0.154258), (1.0, 0.53125), (4.0, 1.0)])
def test_shoulder_is_reinhards_curve_above_the_knee(light: float, display: float) -> None:
    # Reinhard et al. 2002, equation 4 with white 4: L (1 + L / 16) / (1 + L). Half of the last digit, and a
    # few roundings of float32, 6e-8 each.
    def above_knee(part: float) -> float:
        return KNEE + (1 - KNEE) * part

    white_ev = float(np.log2(above_knee(4.0)))
    assert shown(above_knee(light), white_ev) == pytest.approx(above_knee(display), abs=1e-6)


def test_middle_grey_lies_where_the_handbooks_put_it() -> None:
    # 18 % is 2.4739 EV below white: log2 of 0.18.
    assert pytest.approx(-2.4739, abs=5e-5) == MIDDLE_GREY_EV


@pytest.mark.parametrize("light", [0.0, 0.05, 0.18, 0.5, KNEE])
def test_below_the_knee_light_is_shown_as_it_is(light: float) -> None:
    assert shown(light, 2.0) == pytest.approx(light, abs=1e-6)


# Tone-mapped image quality index (Yeganeh & Wang 2013): what its formulas say in closed form. No reference
# implementation is on the package index.


def test_contrast_sensitivity_of_mannos_and_sakrison() -> None:
    # Mannos & Sakrison 1974: sensitivity 2.6 (0.0192 + 0.114 f) exp(-(0.114 f)^1.1), scaled by 100; it peaks
    # near 8 cycles per degree, where the threshold is lowest.
    thresholds = {f: visibility_threshold(f) for f in (1, 2, 4, 8, 16)}
    assert min(thresholds, key=thresholds.__getitem__) == 8
    assert thresholds[8] == pytest.approx(0.932, abs=2e-3)


def test_naturalness_is_one_at_the_published_mode() -> None:
    # Mean 115.94; contrast at the mode of Beta(4.4, 10.1), (4.4 - 1) / (4.4 + 10.1 - 2), of 64.29.
    spread = 64.29 * 3.4 / 12.5
    random = np.random.default_rng(0).standard_normal((110, 110))
    blocks = random.reshape(10, 11, 10, 11)
    blocks = (blocks - blocks.mean(axis=(1, 3), keepdims=True)) / blocks.std(
        axis=(1, 3), keepdims=True, ddof=1
    )
    codes = 115.94 + spread * blocks.reshape(110, 110)
    assert naturalness(codes) == pytest.approx(1, abs=1e-6)
    assert naturalness(codes + 27.99) == pytest.approx(np.exp(-0.5), abs=1e-6)


def test_a_good_rendering_beats_a_flat_a_dark_and_a_reversed_one() -> None:
    random = np.random.default_rng(1).standard_normal((192, 192)).cumsum(axis=0).cumsum(axis=1)
    random = (random - random.mean()) / random.std()
    scene = 2.0 ** (2 * random)
    codes = np.clip(116 + 40 * random, 0, 255)
    good = tmqi(scene, codes)
    assert 0 < good.index <= 1
    assert good.index > tmqi(scene, np.full_like(codes, 116)).index
    assert good.index > tmqi(scene, codes / 8).index
    assert good.fidelity > tmqi(scene, 255 - codes).fidelity


def test_scale_of_the_scene_makes_no_difference() -> None:
    scene = np.random.default_rng(2).random((180, 180)) + 0.1
    codes = 255 * scene / scene.max()
    assert tmqi(scene, codes).index == pytest.approx(tmqi(scene * 1000, codes).index, abs=1e-9)


def test_pictures_too_small_for_the_coarsest_scale_are_refused() -> None:
    with pytest.raises(ValueError, match="cannot compare"):
        tmqi(np.ones((32, 32)), np.ones((32, 32)))
