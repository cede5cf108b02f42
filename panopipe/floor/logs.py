"""Logarithmic light: where light and shade are sums, so that a seam in brightness is a constant."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]

_OFFSET_SHARE = 0.02


def offset_for(light: Picture) -> float:
    """Light to add before the logarithm, so that noise in the dark stays small: 2 % of the median."""
    some = light.reshape(-1, light.shape[-1])
    some = some[:: max(1, len(some) // 50000)]
    return max(_OFFSET_SHARE * float(np.median(some)), 1e-6)


def to_log(light: Picture, offset: float) -> Picture:
    """Natural logarithm of light plus an offset; light below zero counts as none."""
    return np.log(np.maximum(light, 0) + np.float32(offset))


def from_log(logs: Picture, offset: float) -> Picture:
    """Inverse of `to_log`."""
    return np.exp(logs) - np.float32(offset)
