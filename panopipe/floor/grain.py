"""Grain: the finest detail inside a filled hole as strong as that of the floor around it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.floor.scene import within

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]

_FINE_PX, _MEDIUM_PX = 1.0, 2.5
"""Finer than the first is grain: what an oblique or repeated sampling loses first. Between the two, noise
that was coarser where it came from than it is near the nadir may only be lowered."""
WRITTEN_SHARE = 0.9
"""Share of the finest detail that is left once a view is written back into the frame (Lanczos, half a pixel
off on average)."""
_LEAST, _MOST = 0.4, 1.6
"""Strongest lowering and raise; beyond it noise would take the shape of the kernel."""


def with_grain(filled: Picture, hole: Mask, *, written: float) -> Picture:
    """Raise (or lower) the finest detail inside a filled hole to that of the ring around it.

    Parameters
    ----------
    filled : ndarray of shape (h, w, 3), dtype float32
        The filled hole and some floor around it.
    hole : ndarray of shape (h, w), dtype bool
    written : float
        Share of the finest detail that will be left once the view is written back into the frame.
    """
    reach = 0.15 * float(np.sqrt(hole.sum()))
    # The first pixels beside the rim hold something of either side.
    ring = within(hole, reach) & ~within(hole, 4)
    depth = cv2.distanceTransform(hole.astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    core = depth >= 4
    if ring.sum() < 100 or core.sum() < 100:
        return filled
    fine, medium = (cv2.GaussianBlur(filled, (0, 0), sigma) for sigma in (_FINE_PX, _MEDIUM_PX))
    change = np.zeros_like(filled)
    for octave, least, most, left in (
        (filled - fine, _LEAST, _MOST, written),
        (fine - medium, _LEAST, 1.0, 1.0),
    ):
        wanted, had = _strength(octave, ring), _strength(octave, core)
        gain = np.clip(wanted / np.maximum(had * left, 1e-9), least, most)
        change += octave * (gain - 1).astype(np.float32)
    # Full strength two pixels inside the rim: no step where the hole begins.
    change *= np.clip(depth / 2, 0, 1)[..., None]
    change += filled
    return change


def _strength(octave: Picture, where: Mask) -> NDArray[np.float32]:
    """Median magnitude of each channel, from some thirty thousand pixels."""
    at = np.flatnonzero(where)
    some = octave.reshape(-1, octave.shape[-1])[at[:: max(1, len(at) // 30000)]]
    return np.asarray(np.median(np.abs(some), axis=0), np.float32)
