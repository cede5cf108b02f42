import hashlib

import cv2
import numpy as np
import pytest

from panopipe.sphere.dither import STEPS, TILE, grain_tile


def test_values_are_those_of_a_triangle() -> None:
    tile = grain_tile() / STEPS
    assert tile.mean() == pytest.approx(0, abs=1e-6)
    assert tile.std() == pytest.approx(1 / np.sqrt(6), rel=0.02)
    assert np.abs(tile).max() < 1


def test_same_pattern_on_every_machine() -> None:
    """Finished files are the same bytes wherever they are made; another pattern is another version."""
    digest = hashlib.sha256(grain_tile().astype("<i2").tobytes()).hexdigest()
    assert digest == "a10900058d8b851cf122eaaa47e495eaed6ba2f80ce6cb102534d3af52312e78"


def test_it_lies_where_jpeg_quantises_finely() -> None:
    power = np.abs(np.fft.fft2(grain_tile().astype(float))) ** 2
    frequency = np.abs(np.fft.fftfreq(TILE))
    radius = np.hypot(frequency[:, None], frequency[None])
    assert power[(radius > 1 / 16) & (radius < 1 / 4)].sum() > 0.9 * power.sum()


def test_it_repeats_without_a_seam() -> None:
    tile = grain_tile().astype(float)
    across = np.abs(np.diff(np.concatenate([tile, tile[:1]]), axis=0)).mean(axis=1)
    assert across[-1] < across.max() * 1.05


def ramp(codes_per_pixel: float) -> np.ndarray:
    rows, columns = np.mgrid[0:256, 0:2048]
    return 120.3 + columns * codes_per_pixel + rows / 900


def decoded(picture: np.ndarray, quality: int) -> np.ndarray:
    grey = np.repeat(np.round(picture).astype(np.uint8)[..., None], 3, axis=2)
    coded = cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    return cv2.imdecode(coded, cv2.IMREAD_COLOR)[..., 0].astype(float)


def steps_and_texture(error: np.ndarray, truth: np.ndarray) -> tuple[float, float]:
    """How much the mean, and the spread, of the error follow the light's place between two codes."""
    place = np.digitize((truth % 1).ravel(), np.linspace(0, 1, 21)) - 1
    groups = [error.ravel()[place == part] for part in range(20)]
    means, spreads = (np.array([measure(group) for group in groups]) for measure in (np.mean, np.std))
    return float(np.ptp(means)), float(np.ptp(spreads))


@pytest.mark.parametrize("quality", [90, 94, 98])
@pytest.mark.parametrize("codes_per_pixel", [1 / 200, 1 / 60])
def test_a_smooth_ceiling_shows_no_bands_after_jpeg(quality: int, codes_per_pixel: float) -> None:
    """At 8 times contrast a step of 0.06 codes is half a code: nobody sees it. Without grain it is 7."""
    truth = ramp(codes_per_pixel)
    grain = np.tile(grain_tile() / STEPS, (2, 16))
    step, texture = steps_and_texture(decoded(truth + grain, quality) - truth, truth)
    assert step < 1 / 16
    assert texture < 1 / 8
    bare_step, _ = steps_and_texture(decoded(truth, quality) - truth, truth)
    assert bare_step > 10 * step
