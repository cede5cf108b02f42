"""Grain: the finest detail inside a filled hole as strong as that of the floor around it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.floor.scene import Box, within

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


def with_grain(picture: Picture, own: Picture, hole: Mask, box: Box, *, written: float) -> Picture:
    """Raise (or lower) the finest detail inside a hole to that of the ring around it.

    Parameters
    ----------
    picture : ndarray of shape (n, n, 3), dtype float32
        The filled view.
    own : ndarray of shape (n, n, 3), dtype float32
        The view before it was filled; judged outside the hole only.
    hole : ndarray of shape (n, n), dtype bool
    box : Box
        A part of the view that holds the hole and a ring around it; the rest stays as it is.
    written : float
        Share of the finest detail that will be left once the view is written back into the frame.
    """
    inside = hole[box]
    reach = 0.15 * float(np.sqrt(inside.sum()))
    # The first pixels beside the rim hold something of either side.
    ring = within(inside, reach) & ~within(inside, 4)
    core = ~within(~inside, 4)
    if ring.sum() < 100 or core.sum() < 100:
        return picture
    change = np.zeros_like(picture[box])
    for finer, coarser, least, most, left in (
        (0.0, _FINE_PX, _LEAST, _MOST, written),
        (_FINE_PX, _MEDIUM_PX, _LEAST, 1.0, 1.0),
    ):
        filled, around = _octave(picture[box], finer, coarser), _octave(own[box], finer, coarser)
        wanted, had = _strength(around[ring]), _strength(filled[core])
        gain = np.clip(wanted / np.maximum(had * left, 1e-9), least, most)
        change += filled * (gain - 1).astype(np.float32)
    # Full strength two pixels inside the rim: no step where the hole begins.
    depth = cv2.distanceTransform(inside.astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    result = picture.copy()
    result[box] += change * np.clip(depth / 2, 0, 1)[..., None]
    return result


def _strength(pixels: Picture) -> NDArray[np.float32]:
    """Median magnitude of each channel, from some thirty thousand pixels."""
    some = np.abs(pixels[:: max(1, len(pixels) // 30000)])
    return np.asarray(np.median(some, axis=0), np.float32)


def _octave(picture: Picture, finer_px: float, coarser_px: float) -> Picture:
    """What is coarser than one blur and finer than another."""
    blurred = cv2.GaussianBlur(picture, (0, 0), finer_px) if finer_px else picture
    band: Picture = blurred - cv2.GaussianBlur(picture, (0, 0), coarser_px)
    return band
