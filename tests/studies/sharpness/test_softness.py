"""Softness: a known blur is told from edges, and the boost raises half contrast as far as asked."""

import cv2
import numpy as np
import pytest

from panopipe.studies.noise.measure import Gatherer, groups_of_rows
from panopipe.studies.sharpness.softness import MTF50_PX, blur_px, distances, strength


def boards(blur: float) -> np.ndarray:
    """Slanted boards of two lights, drawn eight times as large, reduced to pixels and blurred."""
    rows, columns = np.mgrid[0:2048, 0:4096] / 8
    board = (np.floor((columns + 0.13 * rows) / 29) % 2).astype(np.float32) * 0.4 + 0.1
    light = cv2.GaussianBlur(cv2.resize(board, (512, 256), interpolation=cv2.INTER_AREA), (0, 0), blur)
    return np.repeat(light[..., None], 3, axis=-1)


@pytest.mark.parametrize("blur", [0.6, 0.9, 1.3])
def test_a_known_blur_is_told(blur: float) -> None:
    """With the pixel's own square, whose variance is a twelfth."""
    light, gatherer = boards(blur), Gatherer(256, np.eye(3))
    for first, last in groups_of_rows(256):
        gatherer.take(light[first:last], first, np.zeros((last - first, 512), bool))
    assert blur_px(gatherer.result().edge_ratio) == pytest.approx(np.hypot(blur, 12**-0.5), rel=0.15)


def test_half_contrast_of_a_gaussian() -> None:
    """ISO 12233:2017, MTF50: the frequency where the Gaussian's transform is a half."""
    assert np.exp(-2 * (np.pi * MTF50_PX) ** 2) == pytest.approx(0.5, abs=1e-4)


@pytest.mark.parametrize("blur", [0.7, 1.0, 1.2])
def test_the_boost_raises_half_contrast_by_a_third(blur: float) -> None:
    frequency = 1.35 * MTF50_PX / blur
    boost = 1 + strength(blur, 0.35) * (1 - np.cos(np.pi * frequency) ** 4)
    assert np.exp(-2 * (np.pi * frequency * blur) ** 2) * boost == pytest.approx(0.5, abs=0.01)


def test_sharp_frames_and_no_rise_want_nothing() -> None:
    assert strength(0.4, 0.35) == 0
    assert strength(1.0, 0.0) == pytest.approx(0, abs=1e-3)


def test_distances_grow_to_the_poles() -> None:
    found = distances(np.arange(-3, 515), 512)
    assert found[3 + 256] == pytest.approx(1, abs=1e-4)
    assert found[3 + 85] == pytest.approx(2, abs=0.02)  # 60 degrees of pitch
    assert np.array_equal(found[:3], found[3:6][::-1])
    assert found.max() <= 128
