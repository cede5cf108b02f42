"""Weighted sums of rows and columns: both forms give the same bits, and refuse what is not in the row."""

import numpy as np
import pytest

from panopipe.pixels import compiled
from panopipe.pixels.mean import add_row, mean_columns

RANDOM = np.random.default_rng(3)
needs_kernels = pytest.mark.skipif(
    not compiled.COMPILED, reason="panopipe was installed without a compiler; the definitions in numpy run"
)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
@pytest.mark.parametrize("start", [0, 1, 70, 101])
def test_rows_add_up_from_a_column_on(dtype: type, start: int) -> None:
    row = (RANDOM.random((101, 3)) * 255).astype(dtype)
    before = RANDOM.random((101, 3), dtype=np.float32)
    fast, slow = before.copy(), before.copy()
    add_row(row, 0.3, start, fast)
    add_row.__wrapped__(row, 0.3, start, slow)
    assert np.array_equal(fast, slow)
    assert np.allclose(fast, before + 0.3 * np.roll(row.astype(float), -start, axis=0), rtol=1e-6)


def test_runs_of_columns() -> None:
    row = RANDOM.random((60, 3), dtype=np.float32)
    firsts, shares = RANDOM.integers(0, 57, 25).astype(np.int32), RANDOM.random((25, 4), dtype=np.float32)
    fast, slow = np.empty((2, 25, 3), np.float32)
    mean_columns(row, firsts, shares, fast)
    mean_columns.__wrapped__(row, firsts, shares, slow)
    assert np.array_equal(fast, slow)
    wanted = [
        share.astype(float) @ row[first : first + 4] for first, share in zip(firsts, shares, strict=True)
    ]
    assert np.allclose(fast, wanted, rtol=1e-6)


@needs_kernels
@pytest.mark.parametrize("first", [-1, 57])
def test_columns_that_are_not_there(first: int) -> None:
    shares, out = np.ones((1, 4), np.float32), np.empty((1, 3), np.float32)
    with pytest.raises(ValueError, match="not in the row"):
        mean_columns(np.ones((60, 3), np.float32), np.array([first], np.int32), shares, out)
    with pytest.raises(ValueError, match="not a column"):
        add_row(np.ones((4, 3), np.float32), 1.0, 5, np.ones((4, 3), np.float32))
