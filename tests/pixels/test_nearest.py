"""Distances to the nearest of some points: both forms give the same bits."""

import numpy as np
import pytest

from panopipe.pixels import compiled
from panopipe.pixels.nearest import nearest, nearest_row

RANDOM = np.random.default_rng(12)


@pytest.mark.parametrize("sides", [1, 3, 4, 8])
@pytest.mark.parametrize("count", [0, 1, 127, 400])
def test_distances(sides: int, count: int) -> None:
    points = RANDOM.random((count, sides), dtype=np.float32)
    others = RANDOM.random((23, sides), dtype=np.float32)
    fast, slow = np.empty((2, count), np.float32)
    nearest(points, others, fast)
    nearest.__wrapped__(points, others, slow)
    assert np.array_equal(fast, slow)
    wanted = np.linalg.norm(points[:, None].astype(float) - others, axis=-1).min(1)
    assert np.allclose(fast, wanted, rtol=1e-5, atol=1e-6)  # single precision


@pytest.mark.skipif(
    not compiled.COMPILED, reason="panopipe was installed without a compiler; the definitions in numpy run"
)
def test_nothing_to_be_near_to() -> None:
    with pytest.raises(ValueError, match="at least one"):
        nearest(np.ones((4, 3), np.float32), np.ones((0, 3), np.float32), np.empty(4, np.float32))


@pytest.mark.parametrize("count", [0, 1, 128, 700])
@pytest.mark.parametrize("many", [1, 2, 250])
def test_rows_of_a_table(count: int, many: int) -> None:
    places, table = RANDOM.standard_normal((count, 2)), RANDOM.standard_normal((many, 2))
    table[many // 2] = table[0]  # of equals the first counts
    fast, slow = np.empty((2, count), np.int32)
    nearest_row(places, table, fast)
    nearest_row.__wrapped__(places, table, slow)
    assert np.array_equal(fast, slow)
    gaps = np.linalg.norm(places[:, None] - table, axis=-1)
    assert np.allclose(gaps[np.arange(count), fast], gaps.min(axis=1), rtol=1e-12)


@pytest.mark.skipif(
    not compiled.COMPILED, reason="panopipe was installed without a compiler; the definitions in numpy run"
)
def test_a_table_without_rows() -> None:
    with pytest.raises(ValueError, match="no row"):
        nearest_row(np.ones((4, 2)), np.ones((0, 2)), np.empty(4, np.int32))
