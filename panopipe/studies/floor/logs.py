"""Logarithmic light: where light and shade are sums, so that a seam in brightness is a constant."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]

_OFFSET_SHARE = 0.02
_JUDGED = 50000
"""Pixels that tell the median."""


def offset_for(light: Picture, where: Mask | None = None) -> float:
    """Light to add before the logarithm, so that noise in the dark stays small: 2 % of the median."""
    some = light.reshape(-1, light.shape[-1])
    step = max(1, len(some) // _JUDGED)
    some = some[::step] if where is None else some[::step][where.ravel()[::step]]
    return max(_OFFSET_SHARE * float(np.median(some)), 1e-6)


def to_log(light: Picture, offset: float) -> Picture:
    """Natural logarithm of light plus an offset; light below zero counts as none."""
    logs = np.maximum(light, 0)
    logs += np.float32(offset)
    return np.asarray(cv2.log(logs), np.float32).reshape(light.shape)


def from_log(logs: Picture, offset: float) -> Picture:
    """Inverse of `to_log`."""
    return np.exp(logs) - np.float32(offset)
