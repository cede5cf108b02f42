from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from panopipe.sphere.geometry import pixel_solid_angle
from panopipe.sphere.reduce import AreaReducer, RowReducer, covering_rows, reduced_rows


def reduced(frame: np.ndarray, out_width: int, cuts: list[int]) -> np.ndarray:
    reducer = AreaReducer(frame.shape[1], frame.shape[0], out_width)
    edges = [0, *sorted(cuts), frame.shape[0]]
    for first, last in pairwise(edges):
        reducer.take(frame[first:last], first)
    return reducer.result()


@pytest.fixture(scope="module")
def frame() -> np.ndarray:
    return np.random.default_rng(1).random((96, 192, 3), dtype=np.float32)


@pytest.mark.parametrize("out_width", [2, 32, 64, 96, 100, 150, 190, 192])
def test_the_solid_angle_mean_of_the_sphere_is_kept(frame: np.ndarray, out_width: int) -> None:
    small = reduced(frame, out_width, [])
    total = np.einsum("rcp,r->p", frame.astype(np.float64), pixel_solid_angle(96))
    kept = np.einsum("rcp,r->p", small.astype(np.float64), pixel_solid_angle(out_width // 2))
    assert np.allclose(kept, total, rtol=1e-6)


def test_a_whole_ratio_is_the_weighted_mean_of_each_block(frame: np.ndarray) -> None:
    """Rows by solid angle, columns alike, computed the long way round."""
    weight = pixel_solid_angle(96)[:, None, None]
    blocks = (frame * weight).reshape(24, 4, 48, 4, 3).sum(axis=(1, 3))
    expected = blocks / (4 * weight.reshape(24, 4).sum(axis=1))[:, None, None]
    assert np.allclose(reduced(frame, 48, []), expected, atol=1e-6)


def test_a_broken_ratio_shares_columns_exactly() -> None:
    """192 columns to 128: each output column is one and a half input columns."""
    frame = np.zeros((96, 192, 3), np.float32)
    frame[:, 1] = 1
    row = reduced(frame, 128, [])[32, :, 0]
    assert np.allclose(row[:3], [1 / 3, 1 / 3, 0], atol=1e-6)


@settings(max_examples=25, deadline=None)
@given(cuts=st.lists(st.integers(0, 96), max_size=12), out_width=st.sampled_from([10, 48, 100, 192]))
def test_the_same_bits_however_it_is_cut(cuts: list[int], out_width: int) -> None:
    frame = np.random.default_rng(2).random((96, 192, 3), dtype=np.float32)
    assert np.array_equal(reduced(frame, out_width, cuts), reduced(frame, out_width, []))


@settings(max_examples=25, deadline=None)
@given(cuts=st.lists(st.integers(0, 240), max_size=12), out_width=st.sampled_from([10, 320, 334, 480]))
def test_row_by_row_it_is_the_same(cuts: list[int], out_width: int) -> None:
    frame = np.random.default_rng(2).random((240, 480, 3), dtype=np.float32)
    reducer, parts = RowReducer(480, 240, out_width), []
    for first, last in pairwise([0, *sorted(cuts), 240]):
        for rows, row in reducer.take(frame[first:last], first):
            assert row == sum(map(len, parts))
            parts.append(rows)
    assert np.array_equal(np.concatenate(parts), reduced(frame, out_width, []))


def test_the_full_width_is_the_frame_itself(frame: np.ndarray) -> None:
    assert np.array_equal(reduced(frame, 192, []), frame)


@pytest.mark.parametrize("out_width", [0, 1, 3, 193, 194])
def test_a_width_that_cannot_be_is_refused(out_width: int) -> None:
    with pytest.raises(ValueError, match="cannot reduce"):
        AreaReducer(192, 96, out_width)


def test_rows_out_of_order_or_missing_are_refused(frame: np.ndarray) -> None:
    with pytest.raises(ValueError, match="not 2:1"):
        AreaReducer(192, 95, 10)
    reducer = AreaReducer(192, 96, 10)
    reducer.take(frame[:5], 0)
    with pytest.raises(ValueError, match="do not follow"):
        reducer.take(frame[6:], 6)
    with pytest.raises(ValueError, match="only 5 of 96"):
        reducer.result()


@pytest.mark.parametrize("out_width", [10, 48, 100, 192])
@pytest.mark.parametrize("span", [(0, 7), (31, 58), (80, 96)])
def test_some_rows_are_those_of_the_whole(frame: np.ndarray, out_width: int, span: tuple[int, int]) -> None:
    wanted = reduced_rows(*span, 96, out_width // 2)
    top, bottom = covering_rows(*wanted, 96, out_width // 2)
    assert top <= span[0]
    assert bottom >= span[1]
    reducer = AreaReducer(192, 96, out_width, out_rows=wanted)
    reducer.take(frame[top:bottom], top)
    assert np.array_equal(reducer.result(), reduced(frame, out_width, [])[slice(*wanted)])


@pytest.mark.parametrize(("width", "out_width", "start"), [(12, 8, 0.5), (12, 8, -0.25), (16, 4, 14.75)])
def test_it_may_begin_within_a_column(width: int, out_width: int, start: float) -> None:
    """Columns cut into quarters are whole ones again, and turned as far."""
    rows = np.random.default_rng(3).random((width // 2, width, 3), np.float32)
    reducer = AreaReducer(width, width // 2, out_width, start)
    reducer.take(rows, 0)
    cut = np.roll(np.repeat(np.repeat(rows, 4, axis=1), 4, axis=0), -round(4 * start), axis=1)
    weights = pixel_solid_angle(2 * width).astype(np.float32)[:, None, None]
    share = 4 * width // out_width
    sums, whole = (
        (light * weights).reshape(out_width // 2, share, out_width, share, -1).sum((1, 3))
        for light in (cut, np.ones_like(cut))
    )
    assert np.allclose(reducer.result(), sums / whole, rtol=2e-2)
