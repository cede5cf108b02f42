"""Shade on a floor of several colours: log light less what a colour's own lightness tells.

A rug's stripes are lighter and darker by far more than a soft shadow takes. But a stripe has another colour,
and a shadow hardly changes that [1]_: of what has one colour, the mean lightness is the material's, and what
is left is shade. A floor whose tones differ in lightness alone gains nothing by that.

References
----------
.. [1] E. Salvador, A. Cavallaro, T. Ebrahimi, Cast shadow segmentation using invariant color features,
   Computer Vision and Image Understanding 95, 2004 (colour invariants in shadow).
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import LUMINANCE_OF_WORKING

Picture = NDArray[np.float32]
Float = NDArray[np.float64]

_STEPS, _A_SPREAD = 8, 2
"""Steps of colour to either side of the median, and how many make the usual spread of colours."""
_LEAST_SPREAD, _SMOOTH, _FEWEST = 0.01, (0.8, 1.6, 3.2), 20.0
"""Least spread of log colour, over how many steps lightness is averaged, at least and where a colour is rare,
and the fewest places that tell."""
_NOISE_PX = 1.0
"""Blur against noise, which colours show more than light does."""
_JUDGED = np.s_[::2, ::4]
"""Places that tell medians."""
_TELLS, _NEAR = 0.75, 8
"""Share of the contrast in lightness that may be left for a colour to tell of it, and between columns how far
apart."""


def without_materials(logs: Picture) -> Picture | None:
    """Log light without the lightness of differently coloured materials.

    Parameters
    ----------
    logs : ndarray of shape (rows, columns, 3), dtype float32
        Natural logarithm of linear light of a floor.

    Returns
    -------
    ndarray of shape (rows, columns, 3), dtype float32, or None
        A little blurred; None where colour tells little of lightness.
    """
    logs = np.asarray(cv2.GaussianBlur(logs, (0, 0), _NOISE_PX), np.float32)
    colour = logs[..., ::2] - logs[..., 1:2]
    some = colour[_JUDGED]
    middle = np.median(some, axis=(0, 1))
    spread = 1.4826 * np.median(np.abs(some - middle), axis=(0, 1)) + _LEAST_SPREAD
    per_step = (_A_SPREAD / spread).astype(np.float32)
    steps = np.rint(np.clip((colour - middle) * per_step, -_STEPS, _STEPS)).astype(np.int16)
    side = 2 * _STEPS + 1
    which = (steps[..., 0] + _STEPS) * side + steps[..., 1] + _STEPS
    luma = logs @ LUMINANCE_OF_WORKING.astype(np.float32)
    sums, counts = (
        np.bincount(which.ravel(), weight, side * side).reshape(side, side).astype(np.float64)
        for weight in (luma.ravel(), np.ones(luma.size, np.float32))
    )
    usual = float(np.median(luma[_JUDGED]))
    material = _lightness(sums, counts, usual).ravel().astype(np.float32)
    off = material[which] - np.float32(usual)
    if _contrast(luma - off) > _TELLS * _contrast(luma):
        return None
    return np.asarray(logs - off[..., None], np.float32)


def _contrast(luma: Picture) -> float:
    """Of places a little apart: what lies between is no light, which has colours, too, but changes slowly."""
    return float(np.sqrt(np.square(luma[:, _NEAR:] - luma[:, :-_NEAR]).mean()))


def _lightness(sums: Float, counts: Float, usual: float) -> Float:
    """Mean lightness by colour; where a colour is rare, that of colours near it."""
    lightness = np.full(sums.shape, usual, np.float64)
    for breadth in reversed(_SMOOTH):
        total, number = (cv2.GaussianBlur(each, (0, 0), breadth) for each in (sums, counts))
        lightness = np.where(number < _FEWEST, lightness, total / np.maximum(number, 1e-9))
    return lightness
