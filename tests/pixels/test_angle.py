"""Angles of directions: both forms give the same bits, and all quarters are right."""

import numpy as np
import pytest

from panopipe.pixels.angle import angles


def test_all_quarters() -> None:
    random = np.random.default_rng(13)
    across, along = random.standard_normal((2, 5003)).astype(np.float32)
    across[:4], along[:4] = (0, 1, 0, -1), (1, 0, -1, 0)
    fast, slow = np.empty((2, 5003), np.float32)
    angles(across, along, fast)
    angles.__wrapped__(across, along, slow)
    assert np.array_equal(fast, slow)
    # 2e-8 of the series, and the roundings of angles up to pi: 2.4e-7 for the last of them, as much before.
    assert np.abs(fast - np.arctan2(across.astype(float), along)).max() < 5e-7


@pytest.mark.parametrize("scale", [1e-12, 1.0, 1e12])
def test_length_does_not_matter(scale: float) -> None:
    turn = np.linspace(-3, 3, 61)
    across, along = (np.float32(scale) * way(turn).astype(np.float32) for way in (np.sin, np.cos))
    found = np.empty(61, np.float32)
    angles(across, along, found)
    assert np.allclose(found, turn, atol=1e-6)  # the sines are rounded, too
