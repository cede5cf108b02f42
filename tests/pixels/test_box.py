"""Windows with fractional ends: against the integral written out, and both forms alike."""

import numpy as np
import pytest

from panopipe.pixels import compiled
from panopipe.pixels.box import box_along, box_round

RANDOM = np.random.default_rng(5)
needs_kernels = pytest.mark.skipif(
    not compiled.COMPILED, reason="panopipe was installed without a compiler; the definitions in numpy run"
)


def overlap(low: float, high: float, count: int) -> np.ndarray:
    """How much of each unit step from 0 to count lies between low and high."""
    edges = np.arange(count + 1)
    return np.clip(np.minimum(edges[1:], high) - np.maximum(edges[:-1], low), 0, None)


def test_a_window_that_goes_round_is_the_integral_over_three_turns() -> None:
    rows, reach = RANDOM.random((5, 12, 2)), np.array([0.5, 0.7, 2.0, 4.31, 6.0])
    out = np.empty_like(rows)
    box_round(rows, reach, out)
    for row in range(5):
        thrice = np.concatenate([rows[row]] * 3)
        for place in range(12):
            middle = 12 + place + 0.5
            share = overlap(middle - reach[row], middle + reach[row], 36) / (2 * reach[row])
            assert np.allclose(out[row, place], share @ thrice, rtol=0, atol=1e-13)


def test_a_window_along_is_the_weighed_integral() -> None:
    rows, weight = RANDOM.random((9, 4)), RANDOM.uniform(0.1, 1, 9)
    ends = np.array([[0, 0.2, 3.5, 8.1], [9, 0.9, 5.0, 9.0]])
    out = np.empty((4, 4))
    box_along(rows, weight, ends, out)
    for row, (low, high) in enumerate(ends.T):
        share = overlap(low, high, 9) * weight
        assert np.allclose(out[row], share @ rows / share.sum(), rtol=0, atol=1e-13)


@needs_kernels
@pytest.mark.parametrize("planes", [1, 3])
def test_both_forms_give_the_same_bits(planes: int) -> None:
    rows, reach = RANDOM.normal(0, 3, (33, 64, planes)), RANDOM.uniform(0.5, 32, 33)
    reach[:3] = 0.5, 32, 31.5
    slow, fast = np.full_like(rows, np.nan), np.full_like(rows, np.inf)
    box_round.__wrapped__(rows, reach, slow)
    box_round(rows, reach, fast)
    assert np.array_equal(slow, fast)

    flat, weight = rows.reshape(33, -1), RANDOM.uniform(0.01, 1, 33)
    ends = np.sort(RANDOM.uniform(0, 33, (2, 20)), axis=0)
    ends[:, 0] = 0, 33
    slow, fast = np.full((20, 64 * planes), np.nan), np.full((20, 64 * planes), np.inf)
    box_along.__wrapped__(flat, weight, ends, slow)
    box_along(flat, weight, ends, fast)
    assert np.array_equal(slow, fast)


@needs_kernels
@pytest.mark.parametrize("wrong", [0.0, -1.0, 65.0, np.nan])
def test_what_leads_out_of_the_rows_is_refused(wrong: float) -> None:
    rows = np.zeros((2, 64, 1))
    with pytest.raises(ValueError, match="reach"):
        box_round(rows, np.array([1.0, wrong]), rows.copy())
    if wrong != 0:
        with pytest.raises(ValueError, match="ends"):
            box_along(rows[:, :, 0].copy(), np.ones(2), np.array([[0.0], [wrong]]), np.zeros((1, 64)))
