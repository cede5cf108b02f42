"""Against the functions of the system in float64."""

import numpy as np

from panopipe.pixels.functions import cube_root, exp2, log2

RANDOM = np.random.default_rng(9)


def test_cube_root() -> None:
    """Within two units in the last place of 24 bits, of either sign."""
    values = np.float32(10) ** RANDOM.uniform(-30, 30, 100000).astype(np.float32)
    exact = np.cbrt(values.astype(np.float64))
    assert np.abs(cube_root(values) / exact - 1).max() < 2 * 2.0**-23
    assert np.array_equal(cube_root(-values), -cube_root(values))
    assert np.abs(cube_root(np.zeros(1, np.float32)))[0] < 1e-12


def test_log2() -> None:
    """Right to 1e-7 and half a unit in the last place of the sum; exact at powers of 2."""
    values = np.float32(2) ** RANDOM.uniform(-120, 120, 100000).astype(np.float32)
    found, exact = log2(values), np.log2(values.astype(np.float64))
    assert (np.abs(found - exact) - np.spacing(np.abs(found)) / 2).max() < 1.5e-7
    powers = np.arange(-126, 128)
    assert np.array_equal(log2(np.ldexp(np.float32(1), powers)), powers)


def test_exp2() -> None:
    values = RANDOM.uniform(-126, 126, 100000).astype(np.float32)
    assert np.abs(exp2(values) / np.exp2(values.astype(np.float64)) - 1).max() < 2.5e-7
    powers = np.arange(-126, 127)
    assert np.array_equal(exp2(powers.astype(np.float32)), np.ldexp(1.0, powers))
