"""The best line: both forms give the same, and it is the best of all that there are."""

import itertools

import numpy as np
import pytest

from panopipe.pixels import compiled
from panopipe.pixels.line import best_line

RANDOM = np.random.default_rng(8)


@pytest.mark.parametrize(("columns", "states", "turns"), [(256, 53, 2), (7, 1, 3), (1, 5, 1), (12, 8, 0)])
def test_both_forms_give_the_same(columns: int, states: int, turns: int) -> None:
    gain = RANDOM.integers(0, 4, (columns, states)).astype(np.float64)  # with many equals
    price = np.minimum(np.abs(np.subtract.outer(np.arange(states), np.arange(states))), 3.0)
    fast, slow = np.full((2, turns * columns), -1, np.int32)
    best_line(gain, price, fast)
    best_line.__wrapped__(gain, price, slow)
    assert np.array_equal(fast, slow)


def test_it_is_the_best_of_all() -> None:
    gain, price = RANDOM.random((5, 4)), RANDOM.random((4, 4))
    line = np.empty(5, np.int32)
    best_line(gain, price, line)

    def worth(states: tuple[int, ...]) -> float:
        return sum(gain[at, state] for at, state in enumerate(states)) - sum(
            price[pair] for pair in itertools.pairwise(states)
        )

    # The first column is entered from whichever state is the cheapest.
    every = {
        states: worth(states) - price[:, states[0]].min() for states in itertools.product(range(4), repeat=5)
    }
    assert tuple(line.tolist()) == max(every, key=lambda states: every[states])


@pytest.mark.skipif(
    not compiled.COMPILED, reason="panopipe was installed without a compiler; the definitions in numpy run"
)
def test_other_arrays_are_refused() -> None:
    with pytest.raises(ValueError, match="price"):
        best_line(np.ones((4, 3)), np.ones((4, 4)), np.empty(4, np.int32))
    with pytest.raises(ValueError, match="no state"):
        best_line(np.ones((4, 0)), np.ones((0, 0)), np.empty(4, np.int32))
