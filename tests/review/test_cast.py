"""Colour left on white: the short way round and what it leads to."""

import numpy as np

from panopipe.colour.lab import lab_from_xyz
from panopipe.review.cast import _rough_chroma, neutral_cast


def test_the_rough_chroma_is_right_within_half_a_unit() -> None:
    """What is left out by it before the exact colours are worked out could not have been chosen."""
    chance = np.random.default_rng(5)
    xyz = np.concatenate([chance.random((20_000, 3)), 0.02 * chance.random((5_000, 3))]).astype(np.float32)
    _, a, b = lab_from_xyz(xyz, 1.0).T
    assert np.abs(_rough_chroma(xyz) - np.hypot(a, b)).max() < 0.5


def test_a_cast_on_white_among_coloured_walls_is_found() -> None:
    """A tenth of the light surfaces is a tinted white; Lab of sRGB (230, 224, 210) by the CIE formulas."""
    frame = np.full((256, 512, 3), (230, 170, 120), np.uint8)
    frame[:, ::10] = (230, 224, 210)
    found = neutral_cast(frame)
    assert found is not None
    _, a, b = lab_from_xyz(_xyz((230, 224, 210)), (0.95047, 1.0, 1.08883))
    assert np.allclose(found, (a, b), atol=0.05)  # white points to five digits, light in single precision


def _xyz(rgb8: tuple[int, int, int]) -> np.ndarray:
    """IEC 61966-2-1: its transfer curve, and its matrix to the four digits that it prints."""
    codes = np.array(rgb8) / 255
    light = np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4)
    matrix = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    return np.array(matrix) @ light
