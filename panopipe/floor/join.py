"""Join pieces of shifted floor in the gradient domain, so that neither rim nor seams show a step."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.floor.poisson import divergence_of, solve
from panopipe.floor.scene import Box, Scene

Picture = NDArray[np.float32]
Whole = NDArray[np.int64]

_CYCLES = 3
_RIM_PX = 2.0
"""How deep a step at the rim is mended where mending is bounded."""


def joined(scene: Scene, shifts: Whole, box: Box, labels: Whole, *, most: float = math.inf) -> Picture:
    """Fill the hole of a scene: each pixel takes the gradients of the floor at its own shift.

    Parameters
    ----------
    scene : Scene
    shifts : ndarray of shape (k, 2), dtype int64
        Shifts (down, across) in pixels.
    box : Box
        Where the labels lie.
    labels : ndarray of shape (rows, columns), dtype int64
        Index of the shift, for blocks of pixels.
    most : float
        Strongest mending, in log light: where the edge of a lawn meets paving at the rim, no mending at all
        is better than a smear.

    Returns
    -------
    ndarray of the shape of `scene.detail`, dtype float32
        The floor with the hole filled.

    References
    ----------
    .. [1] P. Perez, M. Gangnet, A. Blake, Poisson image editing, SIGGRAPH 2003.
    """
    size = (box[1].stop - box[1].start, box[0].stop - box[0].start)
    label = cv2.resize(labels.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    y, x = np.mgrid[box[0], box[1]]
    down_by, across_by = shifts[label][..., 0], shifts[label][..., 1]
    across = _step(scene.detail, y, x, down_by, across_by, (0, 1))
    down = _step(scene.detail, y, x, down_by, across_by, (1, 0))
    # Over a seam, the mean of what either side's floor does there.
    other = _step(scene.detail, y[:, :-1], x[:, :-1], down_by[:, 1:], across_by[:, 1:], (0, 1))
    across[:, :-1] = (across[:, :-1] + other) / 2
    other = _step(scene.detail, y[:-1], x[:-1], down_by[1:], across_by[1:], (1, 0))
    down[:-1] = (down[:-1] + other) / 2
    hole = scene.hole[box]
    guess = np.where(hole[..., None], _at(scene.detail, y + down_by, x + across_by), scene.detail[box])
    result = scene.detail.copy()
    mended = solve(guess, hole, divergence_of(across, down), cycles=_CYCLES)
    result[box] = mended if math.isinf(most) else guess + _bounded(mended - guess, hole, most)
    return result


def _bounded(mending: Picture, hole: NDArray[np.bool_], most: float) -> Picture:
    """Mending without its strongest parts, but for the first pixels at the rim, which hide a step."""
    depth = cv2.distanceTransform(hole.astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    bound = (most + np.exp(-depth / _RIM_PX))[..., None]
    bounded: Picture = np.clip(mending, -bound, bound).astype(np.float32)
    return bounded


def _step(
    detail: Picture, y: Whole, x: Whole, down_by: Whole, across_by: Whole, towards: tuple[int, int]
) -> Picture:
    """Difference from the shifted pixel to its neighbour."""
    y, x = y + down_by, x + across_by
    return _at(detail, y + towards[0], x + towards[1]) - _at(detail, y, x)


def _at(detail: Picture, y: Whole, x: Whole) -> Picture:
    height, width, channels = detail.shape
    # One flat index is twice as fast as two.
    index = np.clip(y, 0, height - 1) * width + np.clip(x, 0, width - 1)
    taken: Picture = detail.reshape(-1, channels).take(index, axis=0)
    return taken
