"""Cube root, log2 and exp2 by roundings that every machine makes alike.

The functions of a system's own library differ in their last bits from machine to machine, and from vectors
to single values. These take an estimate from the bits of the float and make it good by additions,
multiplications and divisions alone. Coefficients are fits of our own, of the least largest error.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]

_HALF_ROOT = 0x3F3504F3
"""Bits of the root of 0.5: the part of a number beside its power of two lies from there to the root of 2."""
_ROUNDER = np.float32(1.5 * 2**23)
"""Added to a small number it leaves the whole number next to it in the last bits."""
_LOG2 = [np.float32(c) for c in (0.598981500, 0.961470604, 2.88539124)]
_EXP2 = [np.float32(c) for c in (0.00132647366, 0.00967151299, 0.0555073358, 0.240222424, 0.693147004)]


def cube_root(values: Floats) -> Floats:
    """Cube roots, right to 2 units in the last place: a third of the exponent, then twice Halley's rule."""
    size = np.abs(values)
    estimate = size.view(np.int32).astype(np.float32) * np.float32(1 / 3) + np.float32(709921088)
    root = estimate.astype(np.int32).view(np.float32)
    for _ in range(2):
        cube = root * root * root
        root = root * ((cube + (size + size)) / ((cube + cube) + size))
    signed: Floats = np.where(values < 0, -root, root)
    return signed


def log2(values: Floats) -> Floats:
    """Log2 of numbers from 2^-126 on, right to 1e-7 and the rounding of the result.

    With s = (x - 1) / (x + 1), log x is an odd series of s.
    """
    bits = values.view(np.int32)
    exponent = (bits - np.int32(_HALF_ROOT)) >> 23
    part = (bits - exponent * np.int32(1 << 23)).view(np.float32)
    s = (part - np.float32(1)) / (part + np.float32(1))
    square = s * s
    third, second, first = _LOG2
    result: Floats = exponent.astype(np.float32) + ((third * square + second) * square + first) * s
    return result


def exp2(values: Floats) -> Floats:
    """Powers of 2 from -126 to 126, right to 2.5e-7 of themselves."""
    near = values + _ROUNDER
    f = values - (near - _ROUNDER)
    fifth, fourth, third, second, first = _EXP2
    part = ((((fifth * f + fourth) * f + third) * f + second) * f + first) * f + np.float32(1)
    power = (near.view(np.int32) - _ROUNDER.view(np.int32) + np.int32(127)) << 23
    result: Floats = part * power.view(np.float32)
    return result
