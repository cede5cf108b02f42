"""Grain: the finest detail inside a filled hole as strong as that of the floor around it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.studies.floor.scene import distance_from

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]
Strength = NDArray[np.float32]

_FINE_PX, _MEDIUM_PX = 1.0, 2.5
"""Finer than the first is grain: what an oblique or repeated sampling loses first. Between the two, noise
that was coarser where it came from than it is near the nadir may only be lowered."""
_WRITTEN = 0.48
"""Standard deviation of a blur that loses as much as a view written into a frame has lost when the frame is
looked at: a fifth of noise, next to nothing of stones (measured by drawing written frames again)."""
_JOINT = 4.0
"""Medians of the magnitude above which detail is no grain: 2.7 standard deviations."""
_LEAST, _MOST = 0.4, 1.8
"""Strongest lowering and raise; beyond it noise would take the shape of the kernel."""


def with_grain(filled: Picture, hole: Mask) -> Picture:
    """Raise (or lower) the finest detail inside a filled hole to that of the ring around it.

    Parameters
    ----------
    filled : ndarray of shape (h, w, 3), dtype float32
        The filled hole and some floor around it.
    hole : ndarray of shape (h, w), dtype bool
    """
    reach = 0.15 * float(np.sqrt(hole.sum()))
    # The first pixels beside the rim hold something of either side.
    off = distance_from(hole)
    ring = (off < reach) & (off >= 4)
    depth = distance_from(~hole)
    core = depth >= 4
    if ring.sum() < 100 or core.sum() < 100:
        return filled
    fine, medium = (cv2.GaussianBlur(filled, (0, 0), sigma) for sigma in (_FINE_PX, _MEDIUM_PX))
    finest, coarser = filled - fine, fine - medium
    wanted = _strength(finest, ring), _strength(coarser, ring)
    had = _strength(finest, core) * _left(filled, core)
    change: Picture = _grain_of(finest, wanted[0]) * _gain(wanted[0], had, _MOST)
    # Of what is added to the finest, some is coarser.
    coarser += cv2.GaussianBlur(change, (0, 0), _FINE_PX)
    change += _grain_of(coarser, wanted[1]) * _gain(wanted[1], _strength(coarser, core), 1.0)
    # Full strength two pixels inside the rim: no step where the hole begins.
    change *= np.clip(depth / 2, 0, 1)[..., None]
    change += filled
    return change


def _grain_of(octave: Picture, usual: Strength) -> Picture:
    """An octave without what stands out of it: the edge of a joint is no grain."""
    bound = np.maximum(_JOINT * usual, 1e-9)
    grain: Picture = np.clip(octave, -bound, bound)
    return grain


def _gain(wanted: Strength, had: Strength, most: float) -> Strength:
    """What to add of an octave, per channel, in shares of what is there."""
    added: Strength = (np.clip(wanted / np.maximum(had, 1e-9), _LEAST, most) - 1).astype(np.float32)
    return added


def _left(filled: Picture, core: Mask) -> float:
    """Share of the finest detail that will be left once the view is written back into the frame."""
    green = np.ascontiguousarray(filled[..., 1:2])
    written = cv2.GaussianBlur(green, (0, 0), _WRITTEN)[..., None]
    fine = [
        _strength(light - cv2.GaussianBlur(light, (0, 0), _FINE_PX)[..., None], core)
        for light in (written, green)
    ]
    return float(fine[0][0] / max(float(fine[1][0]), 1e-9))


def _strength(octave: Picture, where: Mask) -> Strength:
    """Median magnitude of each channel, from some thirty thousand pixels."""
    at = np.flatnonzero(where)
    some = octave.reshape(-1, octave.shape[-1])[at[:: max(1, len(at) // 30000)]]
    return np.asarray(np.median(np.abs(some), axis=0), np.float32)
