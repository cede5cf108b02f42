"""The compiled forms of the rebuilding of highlights give the bits of their definitions."""

import numpy as np
import pytest

from panopipe.clipped.edge import REACH, _mix
from panopipe.clipped.rebuild import _rebuild
from panopipe.pixels import compiled

RANDOM = np.random.default_rng(9)
needs_kernels = pytest.mark.skipif(
    not compiled.COMPILED, reason="panopipe was installed without a compiler; the definitions in numpy run"
)


def shares(count: int) -> np.ndarray:
    """Shares of the white level about saturation, some far below, some beyond it, some just there."""
    share = RANDOM.uniform(0.85, 1.02, (count, 3))
    share[::5] = RANDOM.random((len(share[::5]), 3)) * 1.5
    share[::7, 1] = 1.0
    share[::11] = np.minimum(share[::11], 1)
    return share


@needs_kernels
@pytest.mark.parametrize("count", [0, 1, 5000])
def test_saturated_pixels(count: int) -> None:
    share, (warmth, tint) = shares(count), RANDOM.normal(0, 0.3, (2, count))
    given = (share, warmth, tint, np.array([0.6, 1.0, 0.4]), 0.45, 2.5)
    slow, fast = np.full(share.shape, np.nan), np.full(share.shape, np.nan)
    _rebuild.__wrapped__(*given, slow)
    _rebuild(*given, fast)
    assert np.array_equal(fast, slow)
    assert np.all(fast >= 0)


def edges(height: int, width: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Shares of a patch with saturated spots, the numbers of the doubted ones, and pixels beside them."""
    share = RANDOM.random((height, width, 3)) * 0.9
    spots = RANDOM.random((height, width)) < 0.02
    share[spots] = RANDOM.uniform(0.94, 1, (int(spots.sum()), 3))
    index = np.full(height * width, -1, np.int32)
    doubted = np.flatnonzero((share > 0.95).any(axis=2))
    index[doubted] = np.arange(len(doubted))
    rows, columns = np.divmod(doubted, width)
    down, right = RANDOM.integers(-REACH, REACH + 1, (2, len(doubted)))
    beside = np.stack([rows + down, columns + right])
    inner = (beside >= 5).all(axis=0) & (beside[0] < height - 5) & (beside[1] < width - 5)
    beside = beside[:, inner & ((down != 0) | (right != 0))]
    return share.reshape(-1, 3), index, (beside[0] * width + beside[1]).astype(np.int32)


@needs_kernels
def test_mixtures_at_the_edge() -> None:
    share, index, edge = edges(90, 130)
    gain = RANDOM.random((int(index.max()) + 1, 3))
    slow, fast = np.full((len(edge), 3), np.nan), np.full((len(edge), 3), np.nan)
    _mix.__wrapped__(share, index, edge, 130, gain, slow)
    _mix(share, index, edge, 130, gain, fast)
    assert len(edge) > 100
    assert np.array_equal(fast, slow)


@needs_kernels
@pytest.mark.parametrize("wrong", ["edge", "gain"])
def test_what_lies_outside_is_refused(wrong: str) -> None:
    share, index, edge = edges(40, 50)
    gain = np.zeros((int(index.max()) + 1 - (wrong == "gain"), 3))
    if wrong == "edge":
        edge = np.array([50 * 3], np.int32)
    with pytest.raises(ValueError, match="pixels without neighbours"):
        _mix(share, index, edge, 50, gain, np.empty((len(edge), 3)))
