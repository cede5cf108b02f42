"""Enlarged planes: both forms give the same bits, and what is linear comes back."""

import numpy as np
import pytest

from panopipe.pixels import compiled
from panopipe.pixels.doubled import add_doubled, join_doubled

RANDOM = np.random.default_rng(8)
needs_kernels = pytest.mark.skipif(
    not compiled.COMPILED, reason="panopipe was installed without a compiler; the definitions in numpy run"
)


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


@pytest.mark.parametrize("skip", [0, 3])
def test_joined_with_what_is_enlarged(skip: int) -> None:
    half, planes = RANDOM.random((3, 7, 17), dtype=np.float32), RANDOM.random((3, 8, 34), dtype=np.float32)
    fast, slow = np.empty((2, 8, 34, 3), np.float32)
    join_doubled(half, skip, planes, fast)
    join_doubled.__wrapped__(half, skip, planes, slow)
    assert np.array_equal(fast, slow)


@needs_kernels
def test_rows_that_are_not_there_are_refused() -> None:
    for skip, rows in ((5, 8), (-1, 8)):
        with pytest.raises(ValueError, match="not rows and columns of the doubled"):
            add_doubled(np.zeros((3, 7, 17), np.float32), skip, np.zeros((3, rows, 34), np.float32))
        with pytest.raises(ValueError, match="not rows and columns of the doubled"):
            planes, light = np.zeros((3, rows, 34), np.float32), np.zeros((rows, 34, 3), np.float32)
            join_doubled(np.zeros((3, 7, 17), np.float32), skip, planes, light)
