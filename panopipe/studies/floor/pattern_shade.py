"""Light and shade of a floor with a strong pattern, told from the pattern by how it repeats.

Dark tiles among light ones, and the broad stripes of a carpet, are as broad as shade is. What a floor shows
again under its own shifts is its pattern; what is left, made smooth, is light and shade.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.studies.floor.scene import Scene, shrunk
from panopipe.studies.floor.shade import continued_shade
from panopipe.studies.floor.shifts import best_shifts, likeness

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]

_WIDE = 2.4
"""Breadth of what is shade in any case, in radii of the hole."""
_SHORTEST, _SHIFTS = 0.6, 10
"""Shortest shift, in radii of the hole, and how many of the best tell the pattern."""
_LOCAL = 0.5
"""Breadth over which it is told how well a pattern repeats, in radii of the hole."""
_LEAST_LIKE, _WHOLLY_LIKE = 0.3, 0.7
"""Share of a floor's variance that its shifts must explain to count as pattern, and from which it does so
wholly."""


def patternless_shade(logs: Picture, known: Mask, radius: float, factor: int, broad_px: float) -> Picture:
    """Light and shade of a floor, continued into what is not known, without its pattern.

    Parameters
    ----------
    logs : ndarray of shape (h, w, channels), dtype float32
        Logarithm of light.
    known : ndarray of shape (h, w), dtype bool
    radius : float
        Radius of what is not known in pixels.
    factor : int
        Pixels of a block: the pattern is told on blocks.
    broad_px : float
        Breadth of what counts as light and shade, as the standard deviation of a Gaussian.

    Returns
    -------
    ndarray of shape (h, w, channels), dtype float32
    """
    height, width = known.shape
    weight = known.astype(np.float32)
    share = shrunk(weight, factor)
    sums = shrunk(logs * weight[..., None], factor)
    small = np.asarray(sums / np.maximum(share, 1e-3)[..., None], np.float32)
    sure, unit = share > 0.99, radius / factor
    wide = continued_shade(small, sure, _WIDE * unit)
    detail = np.where(sure[..., None], small - wide, 0).astype(np.float32)
    found = likeness(detail, sure, min(sure.shape) // 2)
    shifts = best_shifts(found, shortest=_SHORTEST * unit, count=_SHIFTS)
    if len(shifts):
        detail -= _pattern(Scene(detail, sure, ~sure), shifts, _LOCAL * unit)
    shade = wide + continued_shade(detail, sure, broad_px / factor)
    cut = (width // factor * factor, height // factor * factor)
    grown = cv2.resize(shade, cut, interpolation=cv2.INTER_CUBIC).reshape(cut[1], cut[0], -1)
    whole: Picture = cv2.copyMakeBorder(
        grown, 0, height - cut[1], 0, width - cut[0], cv2.BORDER_REPLICATE
    ).reshape(logs.shape)
    return whole


def _pattern(scene: Scene, shifts: NDArray[np.int64], local: float) -> Picture:
    """What the floor shows again under most of some shifts, as far as they agree on it."""
    box = (slice(0, scene.known.shape[0]), slice(0, scene.known.shape[1]))
    shown = np.empty((len(shifts), *scene.detail.shape), np.float32)
    for index, shift in enumerate(shifts):
        there, valid = scene.shifted(box, shift)
        shown[index] = np.where(valid[..., None], there, np.nan)
    seen = np.isfinite(shown[..., 0]).sum(0)
    usable = scene.known & (seen >= 2)
    shown[:, ~usable] = 0
    # Numbers before nothing: the middle one of those that are there.
    shown.sort(axis=0)
    middle = np.broadcast_to(((seen - 1).clip(0) // 2)[None, ..., None], (1, *scene.detail.shape))
    pattern = np.take_along_axis(shown, middle, axis=0)[0]
    off = cv2.GaussianBlur(np.square(scene.detail - pattern).sum(-1) * usable, (0, 0), local)
    size = cv2.GaussianBlur(np.square(scene.detail).sum(-1) * usable, (0, 0), local)
    like = 1 - off / np.maximum(size, 1e-9)
    trust = np.clip((like - _LEAST_LIKE) / (_WHOLLY_LIKE - _LEAST_LIKE), 0, 1) * usable
    return np.asarray(pattern * trust[..., None], np.float32)
