"""Pieces of shifted floor joined in a hole."""

from __future__ import annotations

import numpy as np

from panopipe.studies.floor.join import joined
from panopipe.studies.floor.scene import Scene


def test_what_no_shift_reaches_is_no_brighter_than_the_floor() -> None:
    """Log light of 0 is brighter by far than a floor at -2: what is not known must not be taken for it."""
    rng = np.random.default_rng(5)
    detail = (-2 + 0.1 * rng.standard_normal((96, 96, 3))).astype(np.float32)
    rows, columns = np.indices((96, 96)) - 48
    hole = np.hypot(rows, columns) < 16
    detail[hole] = 0
    known = ~hole & ~((columns > 22) & (rows > 0))
    detail[(columns > 22) & (rows > 0)] = 0
    box = (slice(24, 72), slice(24, 72))
    filled = joined(Scene(detail, known, hole), np.array([[0, 36]]), box, np.zeros((48, 48), np.int64), box)
    assert filled[hole[box]].max() < -1.2
    assert filled[hole[box]].min() > -2.8
