"""Veiling glare: light scattered over the whole picture, which lifts the blacks of one take.

In each block of the sphere, contrast tells how much of its light is the same in both takes, and what is
left is added. What is added by a like share everywhere is blur or lack of contrast; a veil adds a like
amount, most to be seen in the dark. A robust line through all blocks parts the two.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.studies.takes.beside import Beside, luminance

Single = NDArray[np.float32]
Float = NDArray[np.float64]

_SOFT_PX = 1.5
"""Blur that both get, so that what parallax moves counts little."""
_BLOCK_DEG = 11.25
_LEAST_CONTRAST, _FEWEST_BLOCKS = 0.05, 20
_DARK_PERCENT = 10
"""Blacks: the darkest tenth of what both show."""
_MOST_TAKEN = 0.9
_ROUNDS, _REACH = 20, 1.5
"""Of the reweighted least squares; deviations, in robust standard ones, that count half (Cauchy's
weights)."""


def lift_ev(side: Beside) -> float:
    """How much higher the blacks lie than in the cleanest of the other takes, in EV; 0 where nothing tells.

    The least over the others, so that a veil on one of those is not counted the other way.
    """
    own = luminance(side.own)
    lifts = [_lift(own, luminance(other), side.known) for other in side.others]
    told = [lift for lift in lifts if np.isfinite(lift)]
    return min(told) if told else 0.0


def _lift(own: Single, other: Single, known: NDArray[np.bool_]) -> float:
    """Lift of the blacks of one against the other, in EV; negative where the other is veiled."""
    block = max(2, round(_BLOCK_DEG * own.shape[1] / 360))
    weight = known.astype(np.float32)
    share = _means(weight, block)
    mean_own, spread_own = _moments(own, weight, share, block)
    mean_other, spread_other = _moments(other, weight, share, block)
    contrast = np.minimum(spread_own / mean_own, spread_other / mean_other)
    use = (share > 0.6) & (contrast > _LEAST_CONTRAST)
    if use.sum() < _FEWEST_BLOCKS:
        return float("nan")
    added = (mean_own - spread_own / spread_other * mean_other)[use]
    level = np.sqrt(mean_own * mean_other)[use]
    dark = float(np.percentile(np.minimum(own, other)[known], _DARK_PERCENT))
    amount = max(_constant_part(added / level, 1 / level), -_MOST_TAKEN * dark)
    return float(np.log2(1 + amount / dark)) if dark > 0 else float("nan")


def _moments(light: Single, weight: Single, share: Single, block: int) -> tuple[Single, Single]:
    soft = cv2.GaussianBlur(light, (0, 0), _SOFT_PX)
    least = 1e-6 * float(soft.max()) + 1e-12
    mean = _means(soft * weight, block) / np.maximum(share, 1e-6)
    square = _means(np.square(soft) * weight, block) / np.maximum(share, 1e-6)
    return np.maximum(mean, least), np.sqrt(np.maximum(square - np.square(mean), least**2))


def _means(plane: Single, block: int) -> Single:
    width, height = plane.shape[1] // block, plane.shape[0] // block
    means: Single = cv2.resize(
        np.ascontiguousarray(plane[: height * block, : width * block]),
        (width, height),
        interpolation=cv2.INTER_AREA,
    )
    return means


def _constant_part(relative: Float, inverse_level: Float) -> float:
    """Slope of a robust line: what is added alike everywhere."""
    scale = float(np.median(inverse_level))
    design = np.stack([np.ones_like(inverse_level), inverse_level / scale], axis=1)
    root = np.ones_like(relative)
    line: Float = np.zeros(2)
    for _ in range(_ROUNDS):
        line = np.asarray(np.linalg.lstsq(design * root[:, None], relative * root, rcond=None)[0], np.float64)
        rest = relative - design @ line
        deviation = 1.4826 * float(np.median(np.abs(rest))) + 1e-6
        root = 1 / np.sqrt(1 + np.square(rest / (_REACH * deviation)))
    return float(line[1]) / scale
