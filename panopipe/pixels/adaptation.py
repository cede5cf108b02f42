"""White balance of a band: gains of the three channels that change from place to place.

Light near the level of saturation keeps the colour it was decoded with instead, and takes that of `white`:
what saturated a sensor says nothing of its own colour, and no gain may make a lamp blue or a window green.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.compiled import compiled
from panopipe.pixels.render import between_columns, curves_of_row

Floats = NDArray[np.float32]

NEVER = (1e8, 2e8)
"""Levels of saturation of what does not saturate."""
NEARLY_CLIPPED = (0.7, 0.9)
"""Share of the level where the last plane of the sensor clips, from which on light is taken for white, and
from which wholly: decode brings what is clipped in all planes to that level, and what is clipped in two on
the way there, as white as that."""

REBUILT = (0.8, 1.0)
"""Share of the level where the first plane of the sensor clips, from which on a channel may have been
rebuilt, and from which it was: a stitcher smears the level, and channels are no planes."""


def saturating_at(clips_at: float | None) -> tuple[float, float]:
    """Levels of saturation of a frame, by the level of neutral light where the last plane clips, if any."""
    return NEVER if clips_at is None else (NEARLY_CLIPPED[0] * clips_at, NEARLY_CLIPPED[1] * clips_at)


def rebuilt_at(clips_at: float | None) -> tuple[float, float]:
    """Levels of rebuilt light of a frame, by the level of neutral light where its first plane clips."""
    return NEVER if clips_at is None else (REBUILT[0] * clips_at, REBUILT[1] * clips_at)


def adapt_rows(
    rows: Floats, first: int, *, gains: Floats, white: Floats, saturating: tuple[float, float]
) -> None:
    """Change rows of a frame in place.

    Parameters
    ----------
    rows : ndarray of shape (n, width, 3), dtype float32, contiguous
        Linear light.
    first : int
        Row of the frame, of width / 2 rows, that ``rows[0]`` is.
    gains : ndarray of shape (rows + 2, columns + 2, 3), dtype float32
        Gain of each channel, on a whole grid of equal cells that is continued by one cell on all sides.
    white : ndarray of shape (3,), dtype float32
        Gains for light that saturates.
    saturating : tuple of float
        Least of the three channels from which the gains give way, and from which they have.
    """
    low, high = saturating
    _adapt(rows, gains, white, first, low, 1 / (high - low))


@compiled("adapt")
def _adapt(rows: Floats, gains: Floats, white: Floats, first: int, low: float, per_level: float) -> None:
    low32, per32, one = np.float32(low), np.float32(per_level), np.float32(1)
    for number, row in enumerate(rows, first):
        light = row.T.copy()
        gain = between_columns(curves_of_row(gains, number, len(row)), len(row)).T.copy()
        part = np.clip((light.min(axis=0) - low32) * per32, 0, one)
        part = part * part * (np.float32(3) - np.float32(2) * part)
        gain += part * (white[:, None] - gain)
        row[:] = (light * gain).T
