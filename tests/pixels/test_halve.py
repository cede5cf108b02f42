"""Half size and back: both forms give the same bits, and what is linear comes back."""

import numpy as np
import pytest

from panopipe.pixels import compiled
from panopipe.pixels.halve import add_doubled, halve

RANDOM = np.random.default_rng(8)
needs_kernels = pytest.mark.skipif(
    not compiled.COMPILED, reason="panopipe was installed without a compiler; the definitions in numpy run"
)


@pytest.mark.parametrize("skip", [0, 1])
def test_means_of_two_by_two(skip: int) -> None:
    planes = RANDOM.random((3, 13, 34), dtype=np.float32)
    fast, slow = np.empty((2, 3, 6, 17), np.float32)
    halve(planes, skip, fast)
    halve.__wrapped__(planes, skip, slow)
    assert np.array_equal(fast, slow)
    assert np.allclose(fast, planes[:, skip : skip + 12].reshape(3, 6, 2, 17, 2).mean(axis=(2, 4)), atol=1e-6)


@pytest.mark.parametrize("skip", [0, 1, 4])
def test_enlarged_linearly_and_added(skip: int) -> None:
    half, before = RANDOM.random((3, 7, 17), dtype=np.float32), RANDOM.random((3, 8, 34), dtype=np.float32)
    fast, slow = before.copy(), before.copy()
    add_doubled(half, skip, fast)
    add_doubled.__wrapped__(half, skip, slow)
    assert np.array_equal(fast, slow)
    ramp = np.repeat(np.arange(7, dtype=np.float32)[None, :, None], 17, axis=2)
    out = np.zeros((1, 8, 34), np.float32)
    add_doubled(ramp, skip, out)
    assert np.allclose(out[0, :, 5], 0.25 + 0.5 * (skip + np.arange(8)))


@needs_kernels
def test_rows_that_are_not_there_are_refused() -> None:
    planes = np.zeros((3, 12, 34), np.float32)
    for skip, rows in ((1, 6), (-1, 4)):
        with pytest.raises(ValueError, match="not half"):
            halve(planes, skip, np.zeros((3, rows, 17), np.float32))
    for skip, rows in ((5, 8), (-1, 8)):
        with pytest.raises(ValueError, match="not rows and columns of the doubled"):
            add_doubled(np.zeros((3, 7, 17), np.float32), skip, np.zeros((3, rows, 34), np.float32))
