"""Logarithm and exponential of double precision, by roundings that every machine makes alike.

As `functions.py` has them for floats, for the few pixels whose arithmetic needs more digits.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Doubles = NDArray[np.float64]

_HALF_ROOT = math.sqrt(0.5)
_LN2 = math.log(2)
_PER_LN2 = 1 / _LN2
_LOG = [1 / odd for odd in range(19, 0, -2)]
"""Of the series of log in odd powers; the first that is left out adds less than 2e-17."""
_EXP = [1 / math.factorial(power) for power in range(12, -1, -1)]
"""Taylor's; the first that is left out adds less than 2e-16."""
_FURTHEST = 600.0


def log(values: Doubles) -> Doubles:
    """Natural logarithms of positive numbers, right to a few units in the last place of 1.

    With s = (x - 1) / (x + 1), log x is an odd series of s.
    """
    part, exponent = np.frexp(values)
    is_low = part < _HALF_ROOT
    part, exponent = np.where(is_low, part + part, part), exponent - is_low
    s = (part - 1) / (part + 1)
    result: Doubles = exponent * _LN2 + (s + s) * _polynomial(_LOG, s * s)
    return result


def exp(values: Doubles) -> Doubles:
    """Powers of e, of exponents from -600 to 600, right to a few units in the last place."""
    values = np.minimum(np.maximum(values, -_FURTHEST), _FURTHEST)
    whole = np.rint(values * _PER_LN2)
    result: Doubles = np.ldexp(_polynomial(_EXP, values - whole * _LN2), whole.astype(np.int32))
    return result


def _polynomial(coefficients: list[float], x: Doubles) -> Doubles:
    total = np.full_like(x, coefficients[0])
    for coefficient in coefficients[1:]:
        total = total * x + coefficient
    return total
