"""Real floor from a neighbouring frame, set into the hole: tone from the rim, sharpness from around it."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from panopipe.floor.grain import WRITTEN_SHARE, with_grain
from panopipe.floor.logs import from_log, offset_for, to_log
from panopipe.floor.poisson import divergence_of, solve
from panopipe.floor.scene import Scene

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]

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
    scene = Scene(joined, ~hole, hole)
    box = scene.box(round(0.3 * math.sqrt(hole.sum() / math.pi)))
    picture = light.copy()
    grained = with_grain(joined, own, hole, box, written=WRITTEN_SHARE)
    picture[hole] = from_log(grained[hole], offset)
    return picture
