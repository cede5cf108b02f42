"""Real floor from a neighbouring frame, set into the hole: tone from the rim, fine grain from around it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.floor.logs import from_log, offset_for, to_log
from panopipe.floor.poisson import divergence_of, solve
from panopipe.floor.scene import Scene, within

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]

_FINE_PX = 1.2
"""Finer than this is grain, which a view from aside has lost."""
_CYCLES = 6


def graft(light: Picture, hole: Mask, real: Picture) -> Picture:
    """Fill a hole with a neighbour's floor, matched in tone and grain.

    Parameters
    ----------
    light : ndarray of shape (n, n, 3), dtype float32
        Straight-down view, linear light.
    hole : ndarray of shape (n, n), dtype bool
    real : ndarray of shape (n, n, 3), dtype float32
        The neighbour's floor on the same view, valid in the hole and its rim.
    """
    offset = offset_for(light[~hole])
    own, other = to_log(light, offset), to_log(real, offset)
    across, down = np.zeros_like(other), np.zeros_like(other)
    across[:, :-1] = other[:, 1:] - other[:, :-1]
    down[:-1] = other[1:] - other[:-1]
    joined = solve(np.where(hole[..., None], other, own), hole, divergence_of(across, down), cycles=_CYCLES)
    return from_log(joined + _missing_grain(own, other, hole), offset)


def _missing_grain(own: Picture, other: Picture, hole: Mask) -> Picture:
    """Grain of the frame's own floor from beside the hole, as strong as what the neighbour lacks."""
    scene = Scene(_fine(own), ~hole, hole)
    box = scene.box(2)
    height, width = hole[box].shape
    reach = max(height, width)
    ring = within(hole, reach / 6) & ~within(hole, 3)
    wanted, had = _spread(scene.detail, ring), _spread(_fine(other), ring)
    lacking = np.sqrt(np.maximum(np.square(wanted) - np.square(had), 0)) / np.maximum(wanted, 1e-9)
    grain = np.zeros_like(own)
    grain[box] = _from_beside(scene, box, reach) * lacking * hole[box][..., None]
    return grain


def _fine(logs: Picture) -> Picture:
    fine: Picture = logs - cv2.GaussianBlur(logs, (0, 0), _FINE_PX)
    return fine


def _spread(fine: Picture, where: Mask) -> Picture:
    """Standard deviation by channel, robust against joints."""
    return np.asarray(1.4826 * np.median(np.abs(fine[where]), axis=0), np.float32)


def _from_beside(scene: Scene, box: tuple[slice, slice], reach: int) -> Picture:
    """The grain one hole's width away, from whichever of eight directions is known."""
    grain = np.zeros((*scene.hole[box].shape, 3), np.float32)
    missing = np.ones(grain.shape[:2], np.bool_)
    for dy, dx in ((0, 1), (0, -1), (1, 0), (-1, 0), (1, 1), (-1, -1), (1, -1), (-1, 1)):
        there, valid = scene.shifted(box, np.array([dy * reach, dx * reach]))
        take = missing & valid
        grain[take] = there[take]
        missing &= ~valid
    return grain
