"""Logarithm and exponential of double precision against the system's own."""

import numpy as np
import pytest

from panopipe.pixels.precise import exp, log

RANDOM = np.random.default_rng(4)


def test_logarithms() -> None:
    values = np.concatenate([np.exp(RANDOM.uniform(-600, 600, 2000)), 1 + RANDOM.normal(0, 1e-4, 500), [1.0]])
    assert np.allclose(log(values), np.log(values), rtol=4e-16, atol=4e-16)
    assert log(np.array([1.0]))[0] == 0


def test_exponentials() -> None:
    values = np.concatenate([RANDOM.uniform(-600, 600, 2000), RANDOM.normal(0, 1, 500), [0.0]])
    relative = exp(values) / np.exp(values) - 1
    assert np.abs(relative[np.abs(values) < 4]).max() < 6e-16
    assert np.abs(relative).max() < 1e-13  # the last digit of 600 is worth that much of a power
    assert exp(np.array([0.0]))[0] == 1


@pytest.mark.parametrize("beyond", [-1e4, 1e4])
def test_exponents_beyond_all_measure_stop(beyond: float) -> None:
    assert exp(np.array([beyond]))[0] == exp(np.array([np.copysign(600.0, beyond)]))[0]
