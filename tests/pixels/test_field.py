"""A field of linked cells: both forms give the same bits, and the field is the one that was asked for."""

import numpy as np
import pytest

from panopipe.pixels import compiled
from panopipe.pixels.field import solve_field

RANDOM = np.random.default_rng(21)
needs_kernels = pytest.mark.skipif(
    not compiled.COMPILED, reason="panopipe was installed without a compiler; the definitions in numpy run"
)


def given(height: int, width: int) -> list:
    """Arguments of `solve_field` up to the guess."""
    right_side, guess = RANDOM.standard_normal((2, height, width))
    weight, right = RANDOM.random((2, height, width)) ** 4 + 1e-3
    return [right_side, weight, right, RANDOM.random((height - 1, width)), guess]


@pytest.mark.parametrize(("height", "width"), [(64, 128), (5, 7), (1, 4), (3, 1), (16, 33)])
@pytest.mark.parametrize("most", [0, 1, 30])
def test_both_forms_give_the_same_bits(height: int, width: int, most: int) -> None:
    fast = given(height, width)
    slow = [values.copy() for values in fast]
    solve_field(*fast, 1e-6, most)
    solve_field.__wrapped__(*slow, 1e-6, most)
    assert np.array_equal(fast[-1], slow[-1])


def test_it_solves_the_equations() -> None:
    """As numpy's own solver does, with the links written out as a matrix."""
    height, width = 6, 9
    right_side, weight, right, down, field = given(height, width)
    number = np.arange(height * width).reshape(height, width)
    matrix = np.diag(weight.ravel())
    links = [(number, np.roll(number, -1, axis=1), right), (number[:-1], number[1:], down)]
    for one, other, how in links:
        for i, j, by in zip(one.ravel(), other.ravel(), how.ravel(), strict=True):
            matrix[[i, j], [i, j]] += by
            matrix[[i, j], [j, i]] -= by
    solve_field(right_side, weight, right, down, field, 1e-12, 400)
    assert np.allclose(field.ravel(), np.linalg.solve(matrix, right_side.ravel()), rtol=1e-6, atol=1e-8)


@needs_kernels
def test_other_arrays_are_refused() -> None:
    arguments = given(4, 6)
    with pytest.raises(ValueError, match="down"):
        solve_field(*arguments[:3], np.zeros((4, 6)), arguments[4], 1e-3, 5)
    with pytest.raises(ValueError, match="weight"):
        solve_field(arguments[0], np.zeros((4, 5)), *arguments[2:], 1e-3, 5)
