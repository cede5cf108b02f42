"""Real floor from a neighbouring frame, set into the hole: tone from the rim, sharpness from around it."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.studies.floor.grain import with_grain
from panopipe.studies.floor.logs import from_log, offset_for, to_log
from panopipe.studies.floor.poisson import divergence_of, solve
from panopipe.studies.floor.scene import Scene

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]

_CYCLES = 6
_SEEN_PX = 9
"""How far the detail of a pixel depends on others."""
_MEAN = np.full((1, 3), 1 / 3, np.float32)


def sharpness(own: Picture, real: Picture, ring: Mask) -> float:
    """How much of the frame's own detail a neighbour's floor shows, in the direction where it shows least.

    Seen from two metres away at a low angle, a rug's lines are wider than the frame's own, but only those
    that lie across the direction of looking: means over all directions hide that. So the slopes of detail of
    one to three pixels are compared as structure tensors [1]_, and the least of their ratios counts.

    References
    ----------
    .. [1] J. Bigun, G. Granlund, Optimal orientation detection of linear symmetry, ICCV 1987.
    """
    box = Scene(own, ring, ring).box(_SEEN_PX)
    of_own, of_real = (_tensor(light[box], ring[box]) for light in (own, real))
    ratios = np.linalg.eigvals(np.linalg.solve(of_own + 1e-12 * np.eye(2), of_real)).real
    return float(np.sqrt(max(float(ratios.min()), 0.0)))


def _tensor(light: Picture, ring: Mask) -> NDArray[np.float64]:
    """Squared slopes of fine detail over the ring, across and down."""
    detail = _detail(cv2.log(np.maximum(cv2.transform(light, _MEAN), 1e-4)))
    slopes = [cv2.Sobel(detail, cv2.CV_32F, *order, ksize=3)[ring] for order in ((1, 0), (0, 1))]
    return np.array([[np.vdot(one, other) for other in slopes] for one in slopes], np.float64)


def _detail(logs: Picture) -> Picture:
    detail: Picture = cv2.GaussianBlur(logs, (0, 0), 0.7) - cv2.GaussianBlur(logs, (0, 0), 2.0)
    return detail


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
    offset = offset_for(light, ~hole)
    box = Scene(light, ~hole, hole).box(round(0.3 * math.sqrt(hole.sum() / math.pi)))
    inside, other = hole[box], to_log(real[box], offset)
    across, down = np.zeros_like(other), np.zeros_like(other)
    np.subtract(other[:, 1:], other[:, :-1], out=across[:, :-1])
    np.subtract(other[1:], other[:-1], out=down[:-1])
    guess = to_log(light[box], offset)
    cv2.copyTo(other, inside.view(np.uint8), guess)
    joined = solve(guess, inside, divergence_of(across, down), cycles=_CYCLES)
    grained = with_grain(joined, inside)
    picture = light.copy()
    picture[box][inside] = from_log(grained[inside], offset)
    return picture
