"""Gradient-domain filling: what is known of it in closed form."""

import numpy as np
import pytest

from panopipe.studies.floor.poisson import divergence_of, fill_smoothly, solve


def scene(size=120):
    y, x = np.mgrid[:size, :size].astype(np.float32)
    x, y = (x - size / 2) / 30, (y - size / 2) / 30
    harmonic = np.stack([x * x - y * y, x * y, x + 2 * y], -1).astype(np.float32)
    star = np.hypot(x, y) < 1.0 + 0.4 * np.cos(3 * np.arctan2(x, y))
    return harmonic, star


@pytest.mark.outside
def test_zero_guidance_reproduces_discrete_harmonic_functions():
    # Perez, Gangnet & Blake 2003: with zero guidance the fill is harmonic. x^2 - y^2, xy and planes are
    # discrete harmonic too. Twelve steps of conjugate gradients leave about 1e-6 of their range of 4.
    harmonic, hole = scene()
    spoiled = np.where(hole[..., None], np.float32(7), harmonic)
    assert np.abs(fill_smoothly(spoiled, hole, cycles=14) - harmonic).max() < 1e-4


def test_the_gradients_of_a_picture_give_it_back_whatever_its_level():
    harmonic, hole = scene()
    source = harmonic**2 + 5  # a constant added to the source changes nothing
    across, down = np.zeros_like(source), np.zeros_like(source)
    across[:, :-1], down[:-1] = np.diff(source, axis=1), np.diff(source, axis=0)
    target = np.where(hole[..., None], np.float32(0), harmonic**2)
    filled = solve(target, hole, divergence_of(across, down), cycles=14)
    assert np.abs(filled - harmonic**2).max() < 3e-4


def test_nothing_outside_the_hole_changes():
    harmonic, hole = scene()
    assert np.array_equal(fill_smoothly(harmonic, hole)[~hole], harmonic[~hole])


def test_a_hole_at_the_border_is_refused():
    harmonic, _ = scene()
    hole = np.zeros(harmonic.shape[:2], bool)
    hole[0, 5] = True
    with pytest.raises(ValueError, match="border"):
        fill_smoothly(harmonic, hole)
