import numpy as np
import pytest

from panopipe.colour.coding import STEPS, SrgbCoder
from panopipe.colour.oklab import oklab_from_working
from panopipe.colour.spaces import SRGB_FROM_WORKING, WORKING_FROM_SRGB
from panopipe.colour.transfer import srgb_decode, srgb_encode


def no_grain(width: int) -> np.ndarray:
    return np.zeros((1, width, 3), np.int16)


def uneven_grain(width: int) -> np.ndarray:
    rows = np.random.default_rng(1).integers(-STEPS + 1, STEPS, (5, width, 1), dtype=np.int16)
    return np.repeat(rows, 3, axis=2)


def wild_light(rows: int, width: int) -> np.ndarray:
    """Light in and out of sRGB, above white and below black."""
    light = np.random.default_rng(2).random((rows, width, 3)) * 1.6 - 0.2
    return light.astype(np.float32)


def working(srgb: np.ndarray) -> np.ndarray:
    return (srgb @ WORKING_FROM_SRGB.T).astype(np.float32)


def coded(coder: SrgbCoder, light: np.ndarray, cut: int = 1000) -> np.ndarray:
    """Codes of a whole frame that is sent `cut` rows at a time."""
    done = [np.empty((0, *light.shape[1:]), np.uint8)]
    for first in range(0, len(light), cut):
        done += [codes.copy() for codes in coder.take(light[first : first + cut])]
    return np.concatenate([*done, coder.rest()])


@pytest.mark.parametrize("width", [2, 62, 510, 1024])
@pytest.mark.parametrize("peak", [1.0, 1.5])
def test_same_codes_however_cut(width: int, peak: float) -> None:
    light = wild_light(40, width)
    whole = coded(SrgbCoder(uneven_grain(width), peak=peak), light)
    for cut in (1, 3, 7, 32):
        assert np.array_equal(coded(SrgbCoder(uneven_grain(width), peak=peak), light, cut), whole)


def test_a_large_frame_comes_in_pieces_of_whole_block_rows() -> None:
    width = 20000
    light = wild_light(70, 8).repeat(width // 8, axis=1)
    coder = SrgbCoder(uneven_grain(width))
    pieces = [len(codes) for codes in coder.take(light)]
    assert pieces == [16] * 4
    assert len(coder.rest()) == 6
    assert np.array_equal(
        coded(SrgbCoder(uneven_grain(width)), light, 9)[:, :8],
        coded(SrgbCoder(uneven_grain(width)[:, :8]), light[:, :8]),
    )


def test_without_grain_it_is_the_rounded_curve() -> None:
    codes = np.arange(256)
    light = working(np.repeat(srgb_decode(codes / 255)[None, :, None], 3, axis=2))
    assert np.array_equal(coded(SrgbCoder(no_grain(256)), light)[0], np.repeat(codes[:, None], 3, axis=1))


def test_grain_keeps_the_mean() -> None:
    level = 100.3
    light = working(np.full((50, 400, 3), srgb_decode(level / 255)))
    grain = np.random.default_rng(3).triangular(-STEPS, 0, STEPS, (50, 400, 1)).astype(np.int16)
    codes = coded(SrgbCoder(np.repeat(grain, 3, axis=2)), light)
    assert codes.mean() == pytest.approx(level, abs=3 * 0.5 / np.sqrt(grain.size))
    assert codes.std() == pytest.approx(0.5, abs=0.02)


def test_black_and_white_stay_pure_and_grey_stays_neutral() -> None:
    coder = SrgbCoder(uneven_grain(64))
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
    codes = coded(SrgbCoder(no_grain(500)), light)[outside]
    after = oklab_from_working(srgb_decode(codes / 255) @ WORKING_FROM_SRGB.T)
    half_a_code = np.ptp(np.cbrt(srgb_decode(np.array([35, 36]) / 255))) / 2
    assert np.abs(after[:, 0] - lightness[outside]).max() < 1.5 * half_a_code


def test_inside_colours_are_coded_as_the_standard_says() -> None:
    srgb = np.random.default_rng(5).random((20, 300, 3))
    codes = coded(SrgbCoder(no_grain(300)), working(srgb))
    assert np.abs(codes - srgb_encode(srgb) * 255).max() < 0.5 + 0.03
