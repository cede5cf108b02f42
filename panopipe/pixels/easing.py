"""A step without a kink."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float64]


def smooth_step(part: Float) -> Float:
    """From 0 at 0 to 1 at 1, flat at both ends."""
    t = np.clip(part, 0, 1)
    return np.asarray(t * t * (3 - 2 * t))
