import numpy as np
import pytest

from panopipe.colour.oklab import oklab_from_working
from panopipe.colour.spaces import SRGB_FROM_WORKING, WORKING_FROM_SRGB
from panopipe.colour.transfer import srgb_decode, srgb_encode
from panopipe.pixels import code
from panopipe.pixels.code import (
    GRAIN_WIDTH,
    LUMINANCE_OF_SRGB,
    SHOULDER_START,
    STEPS,
    SrgbCoder,
    rolled_off,
    shoulder_to,
)
from panopipe.pixels.gamut import CEILING

NO_GRAIN = np.zeros((1, GRAIN_WIDTH), np.int16)
UNEVEN_GRAIN = np.random.default_rng(1).integers(-STEPS + 1, STEPS, (5, GRAIN_WIDTH), dtype=np.int16)


def wild_light(rows: int, width: int) -> np.ndarray:
    """Light in and out of sRGB, above white and below black."""
    light = np.random.default_rng(2).random((rows, width, 3)) * 1.6 - 0.2
    return light.astype(np.float32)


def working(srgb: np.ndarray) -> np.ndarray:
    return (srgb @ WORKING_FROM_SRGB.T).astype(np.float32)


def coded(coder: SrgbCoder, light: np.ndarray, cut: int = 1000, turn: int = 0) -> np.ndarray:
    """Codes of a whole frame, red first, that is sent `cut` rows at a time."""
    codes = np.empty(light.shape, np.uint8)
    for first in range(0, len(light), cut):
        coder.code(light[first : first + cut], first, turn=turn, out=codes[first : first + cut])
    return codes[..., ::-1]


@pytest.mark.parametrize("width", [2, 62, 510, 1024])
@pytest.mark.parametrize("peak", [1.0, 1.5])
def test_same_codes_however_cut(width: int, peak: float) -> None:
    light = wild_light(40, width)
    coder = SrgbCoder(UNEVEN_GRAIN, peak=peak)
    whole = coded(coder, light)
    for cut in (1, 3, 7, 32):
        assert np.array_equal(coded(coder, light, cut), whole)


@pytest.mark.parametrize("width", [2, 62, 510])
@pytest.mark.parametrize("ceiling", [1.0, CEILING])
def test_both_forms_give_the_same_codes(width: int, ceiling: float, monkeypatch: pytest.MonkeyPatch) -> None:
    light = wild_light(8, width)
    coder = SrgbCoder(UNEVEN_GRAIN, peak=1 + 2 * (1 - ceiling), ceiling=ceiling)
    either = coded(coder, light, turn=1)
    for name in ("_code", "fit"):
        monkeypatch.setattr(code, name, getattr(code, name).__wrapped__)
    assert np.array_equal(coded(coder, light, turn=1), either)


@pytest.mark.parametrize("turn", [0, 1, 127, 299])
def test_a_turn_is_a_turn(turn: int) -> None:
    light, coder = wild_light(3, 300), SrgbCoder(UNEVEN_GRAIN)
    assert np.array_equal(coded(coder, light, turn=turn), np.roll(coded(coder, light), turn, axis=1))


def test_without_grain_it_is_the_rounded_curve() -> None:
    codes = np.arange(256)
    light = working(np.repeat(srgb_decode(codes / 255)[None, :, None], 3, axis=2))
    assert np.array_equal(coded(SrgbCoder(NO_GRAIN), light)[0], np.repeat(codes[:, None], 3, axis=1))


def test_grain_keeps_the_mean() -> None:
    level = 100.3
    light = working(np.full((50, 400, 3), srgb_decode(level / 255)))
    grain = np.random.default_rng(3).triangular(-STEPS, 0, STEPS, (50, GRAIN_WIDTH)).astype(np.int16)
    codes = coded(SrgbCoder(grain), light)
    assert codes.mean() == pytest.approx(level, abs=3 * 0.5 / np.sqrt(grain.size))
    assert codes.std() == pytest.approx(0.5, abs=0.02)


def test_black_and_white_stay_pure_and_grey_stays_neutral() -> None:
    coder = SrgbCoder(UNEVEN_GRAIN)
    for level in (0.0, 1.0):
        codes = coded(coder, np.full((5, 64, 3), level, np.float32))
        assert np.all(codes == round(255 * level))
    grey = coded(coder, np.full((5, 64, 3), 0.18, np.float32))
    assert np.array_equal(grey, np.repeat(grey[..., :1], 3, axis=2))


def test_no_channel_clips_by_itself() -> None:
    """Colours outside keep hue and lightness to within the rounding to 8 bits."""
    light = wild_light(20, 500)
    srgb = light.astype(np.float64) @ SRGB_FROM_WORKING.T
    lightness = oklab_from_working(light)[..., 0]
    outside = ((srgb < 0) | (srgb > 1)).any(axis=2) & (lightness > 0.3) & (lightness < 1)
    codes = coded(SrgbCoder(NO_GRAIN), light)[outside]
    after = oklab_from_working(srgb_decode(codes / 255) @ WORKING_FROM_SRGB.T)
    half_a_code = np.ptp(np.cbrt(srgb_decode(np.array([35, 36]) / 255))) / 2
    assert np.abs(after[:, 0] - lightness[outside]).max() < 1.5 * half_a_code


def test_inside_colours_are_coded_as_the_standard_says() -> None:
    srgb = np.random.default_rng(5).random((20, 300, 3))
    codes = coded(SrgbCoder(NO_GRAIN), working(srgb))
    assert np.abs(codes - srgb_encode(srgb) * 255).max() < 0.5 + 0.03


def test_shoulder_is_smooth_rising_and_leaves_the_rest() -> None:
    light = np.linspace(0, 3, 30001, dtype=np.float32)
    rolled = rolled_off(np.stack([light] * 3), shoulder_to(3.0))[0]
    below = light <= SHOULDER_START
    assert np.array_equal(rolled[below], light[below])
    slope = np.diff(rolled.astype(np.float64)) / np.diff(light.astype(np.float64))
    assert slope.min() > 0
    assert np.abs(np.diff(slope)).max() < 0.01
    assert rolled[-1] == pytest.approx(CEILING, abs=1e-6)


def test_shoulder_without_light_above_white_is_the_identity() -> None:
    rgb = np.random.default_rng(5).random((3, 1000), dtype=np.float32)
    assert np.abs(rolled_off(rgb, shoulder_to(CEILING)) - rgb).max() < 1e-6


def test_shoulder_keeps_chromaticity() -> None:
    rgb = np.random.default_rng(6).random((3, 1000), dtype=np.float32) * 3
    rolled = rolled_off(rgb, shoulder_to(3.0))
    assert np.allclose(rolled / rolled.sum(axis=0), rgb / rgb.sum(axis=0), atol=1e-6)
    assert (LUMINANCE_OF_SRGB @ rolled).max() <= CEILING + 1e-6
