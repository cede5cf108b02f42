"""The compiled forms of the rebuilding of highlights give the bits of their definitions."""

import numpy as np
import pytest

from panopipe.pixels import compiled
from panopipe.studies.clipped.band import CONSTANTS, EDGE, FULL, MARGIN, Rebuilder, _lacking, _mark
from panopipe.studies.clipped.edge import REACH
from panopipe.studies.clipped.rebuild import Lights
from panopipe.studies.clipped.surroundings import Surroundings

HEIGHT, WIDTH = 20 + 2 * MARGIN, 64
needs_kernels = pytest.mark.skipif(
    not compiled.COMPILED, reason="panopipe was installed without a compiler; the definitions in numpy run"
)


def drawn(dtype: type, seed: int = 9) -> np.ndarray:
    """Samples with saturated spots in all planes and in some, at the sides and in the margin too."""
    random = np.random.default_rng(seed)
    share = random.random((HEIGHT, WIDTH, 3)) * 0.9
    for _ in range(40):
        row, column, size = random.integers([0, 0, 2], [HEIGHT, WIDTH, 8])
        spot = random.uniform(0.9, 1.02, 3) if random.random() < 0.6 else np.ones(3)
        rows, columns = np.arange(row, row + size) % HEIGHT, np.arange(column, column + size) % WIDTH
        share[np.ix_(rows, columns)] = spot
    if dtype is np.float32:
        return share.astype(np.float32)
    most = np.iinfo(dtype).max
    return np.clip(np.rint(share * most), 0, most).astype(dtype)


def given(dtype: type) -> tuple[np.ndarray, np.ndarray]:
    white = 1.0 if dtype is np.float32 else float(np.iinfo(dtype).max)
    thresholds = np.float32([[0.95 * white, 0.94 * white, 0.95 * white], [0.99 * white] * 3])
    return thresholds, np.array([[0.01, 0, 0.02], [1, 1.01, 0.99], [0.6, 1.0, 0.4]]) * [
        [white], [1 / white], [1]
    ]  # fmt: skip


@needs_kernels
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
def test_marks_and_what_marked_pixels_lack(dtype: type) -> None:
    samples, (thresholds, levels) = drawn(dtype), given(dtype)
    slow, fast = np.full((HEIGHT, WIDTH), 99, np.uint8), np.full((HEIGHT, WIDTH), 98, np.uint8)
    count = _mark.__wrapped__(samples, thresholds, MARGIN, REACH, slow)
    assert _mark(samples, thresholds, MARGIN, REACH, fast) == count
    assert np.array_equal(fast, slow)
    inner = slow[MARGIN:-MARGIN]
    assert np.sum(inner & FULL > 0) > 20
    assert np.sum(inner & EDGE > 0) > 100
    assert np.any(inner[:, :2])
    assert np.any(inner[:, -2:])
    around = np.random.default_rng(3).normal(0, 0.3, (8, 16, 2))
    found = []
    for lacking in (_lacking.__wrapped__, _lacking):
        places, gain = np.full(count, -1, np.int32), np.full((count, 3), np.nan)
        numbers = (MARGIN, REACH, 7, 13, 0.45, 2.5)
        assert lacking(samples, slow, levels, around, CONSTANTS, *numbers, places, gain) == count
        found.append((places, gain))
    assert np.array_equal(found[0][0], found[1][0])
    assert np.array_equal(found[0][1], found[1][1])
    assert np.all(np.diff(found[0][0]) > 0)
    assert np.all(found[0][1][:, ::2] >= 0)  # green may be too much


@needs_kernels
def test_a_band_without_doubt_has_no_marks() -> None:
    samples = (drawn(np.uint16) * 0.9).astype(np.uint16)
    marks = np.full((HEIGHT, WIDTH), 9, np.uint8)
    assert _mark(samples, given(np.uint16)[0], MARGIN, REACH, marks) == 0
    assert not marks.any()


def test_turned_samples_lack_the_same(dtype: type = np.uint16) -> None:
    """Files turned by any number of pixels, with the anchor turned along."""
    around = Surroundings(np.random.default_rng(3).normal(0, 0.3, (8, 16, 2)), 0, 0)
    lights, samples = Lights(np.array([0.6, 1.0, 0.4]), 0.45), drawn(dtype)
    places, gain = Rebuilder(np.zeros(3), np.full(3, 65535.0), lights, around, 0).gain(samples, 5)
    total = np.zeros(((HEIGHT - 2 * MARGIN) * WIDTH, 3))
    total[places] = gain
    assert len(places) > 200
    for turn in (1, 31, 63):
        turned = Rebuilder(np.zeros(3), np.full(3, 65535.0), lights, around, turn)
        places, gain = turned.gain(np.roll(samples, turn, axis=1), 5)
        there = np.zeros_like(total)
        there[places] = gain
        there = np.roll(there.reshape(-1, WIDTH, 3), -turn, axis=1).reshape(-1, 3)
        assert np.array_equal(there, total)


@needs_kernels
@pytest.mark.parametrize("wrong", ["edge", "row", "column", "too few rows", "margin", "reach"])
def test_what_lies_outside_is_refused(wrong: str) -> None:
    samples, (thresholds, levels) = drawn(np.uint16), given(np.uint16)
    marks = np.zeros((HEIGHT, WIDTH), np.uint8)
    count = _mark(samples, thresholds, MARGIN, REACH, marks)
    if wrong == "edge":
        marks[:] = 0
        marks[MARGIN + 3, 5] = EDGE
    if wrong == "too few rows":
        samples, marks = samples[: 2 * MARGIN - 1], marks[: 2 * MARGIN - 1]
    first, anchor = 13 if wrong == "row" else 0, WIDTH if wrong == "column" else 0
    margin, reach = 2 if wrong == "margin" else MARGIN, MARGIN + 1 if wrong == "reach" else REACH
    places, gain = np.zeros(count, np.int32), np.zeros((count, 3))
    with pytest.raises(ValueError, match="none of the frame's"):
        numbers = (margin, reach, first, anchor, 0.45, 2.5)
        _lacking(samples, marks, levels, np.zeros((8, 16, 2)), CONSTANTS, *numbers, places, gain)
