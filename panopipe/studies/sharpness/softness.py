"""From how a frame's sharpest edges spread over scales to its blur, and to the boost that they want.

A blurred step has a certain energy in the finest spline scale and in the next; their ratio tells the blur. It
stands for the slanted edge of ISO 12233:2017, which a room does not hold: many edges of the room's own.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from panopipe.sphere.geometry import pitch_of_row

Floats = NDArray[np.float64]

MTF50_PX = 0.18739
"""Cycles a pixel at which a Gaussian blur of a pixel leaves half the contrast: sqrt(ln 2 / 2) / pi."""
SHARP_PX, SOFT_PX = 0.45, 0.65
"""Blur up to which a frame is as sharp as pixels can be, and nothing is added; and from which on all is."""
MOST = 1.8
"""Most that is added of what sets a pixel off: beyond it lies what a blur has taken for good."""
_BLURS = np.linspace(0.25, 3.0, 56)
_SPLINE = np.array([1, 4, 6, 4, 1]) / 16


def blur_px(ratio: float) -> float:
    """Gaussian blur, the pixel's own square included, whose steps have such a ratio of energies."""
    ratios = _ratios()
    return float(np.interp(ratio, ratios[::-1], _BLURS[::-1]))


def strength(blur: float, rise: float) -> float:
    """How much to add of what a spline takes off, to raise the frequency of half contrast by a share.

    Parameters
    ----------
    blur : float
        Gaussian blur in pixels.
    rise : float
        0.35 raises MTF50 by 35 %.
    """
    frequency = min((1 + rise) * MTF50_PX / max(blur, 1e-3), 0.5)
    left = np.exp(-2 * (np.pi * frequency * blur) ** 2)
    taken = 1 - np.cos(np.pi * frequency) ** 4
    sure = np.clip((blur - SHARP_PX) / (SOFT_PX - SHARP_PX), 0, 1)
    return float(np.clip((0.5 / left - 1) / taken, 0, MOST) * sure)


def distances(rows: NDArray[np.int64], height: int) -> NDArray[np.float32]:
    """Columns that are as far apart as two rows, at most an eighth of the width."""
    cosine = np.abs(np.cos(np.radians(pitch_of_row(rows, height))))
    return np.clip(1 / cosine, 1, height / 4 - 0.01).astype(np.float32)


@cache
def _ratios() -> Floats:
    """Energy of a step's finest scale over that of the next, for each of `_BLURS`; falls as they grow."""
    size = 512
    frequency = np.fft.rfftfreq(size)
    steps = np.zeros(size)
    steps[size // 4 : 3 * size // 4] = 1
    spectrum = np.abs(np.fft.rfft(steps)) ** 2
    spline = (
        _SPLINE[2]
        + 2 * _SPLINE[1] * np.cos(2 * np.pi * frequency)
        + 2 * _SPLINE[0] * np.cos(4 * np.pi * frequency)
    )
    wide = np.interp(
        2 * frequency,
        np.concatenate([frequency, 1 - frequency[::-1]]),
        np.concatenate([spline, spline[::-1]]),
    )
    ratios = []
    for blur in _BLURS:
        power = spectrum * np.exp(-4 * (np.pi * frequency * blur) ** 2)
        ratios.append((power * (1 - spline) ** 2).sum() / (power * (spline * (1 - wide)) ** 2).sum())
    return np.array(ratios)
