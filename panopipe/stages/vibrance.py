"""Vibrance: dull colours gain chroma, vivid ones and skin keep theirs, hue stays.

The change is made in Oklab at constant lightness and hue. It multiplies chroma by a gain that depends on
hue and on chroma over lightness alone, and is therefore the same whatever the exposure: a colour twice as
bright gives a result twice as bright. So the whole operation is one table over chromaticity, made once per
frame and looked up per pixel.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from panopipe.colour.oklab import oklab_from_working, working_from_oklab
from panopipe.frame import Band, Rows
from panopipe.pixels.chromaticity import shift_colours
from panopipe.setting import number
from panopipe.stage import Prepared, RowStage, StageContext

Float = NDArray[np.float64]
Table = NDArray[np.float32]

CELLS = 224
"""Nodes of the table along red and along green."""
LOWEST, HIGHEST = -0.25, 1.25
"""Shares of red and of green that the table spans; a colour outside passes unchanged."""
FADE_FROM = -0.125
"""Share of the weakest component below which the change fades, to nothing at `LOWEST`: no real colour."""

FULL_AT, GONE_AT = 0.03, 0.15
"""Chroma over lightness (Oklab) where half the gain is reached, and where half of it is left."""
SKIN_HUE_DEG, SKIN_WIDTH_DEG, SKIN_SPARED = 50.0, 25.0, 0.6
"""Oklab hue of skin (the two skin patches of the 24-patch chart: 41 and 53 degrees), half-width of the hues
that are spared with it, and the share of the gain it is spared."""


@dataclass(frozen=True)
class VibranceSettings:
    """Settings of the vibrance stage."""

    dull_chroma_percent: float = number(
        12.0,
        "how much chroma dull colours gain; vivid colours, skin and neutrals move less",
        low=-30.0,
        high=30.0,
        unit="percent",
    )


class Vibrance(RowStage[VibranceSettings, Table]):
    """Raises dull colours more than vivid, and keeps hue and lightness."""

    name: ClassVar[str] = "vibrance"
    version: ClassVar[int] = 2
    summary: ClassVar[str] = "raises dull colours more than vivid ones, keeps hue and skin"
    Settings: ClassVar[type] = VibranceSettings

    def prepare(self, context: StageContext, settings: VibranceSettings) -> Prepared[Table]:
        """Make the table for this frame's white and strength."""
        strength = settings.dull_chroma_percent / 100
        if strength == 0:
            return Prepared()
        return Prepared(data=chroma_table(strength, context.reduced.facts.correction))

    def apply(self, band: Band, settings: VibranceSettings, prepared: Table) -> Rows:
        """Add to each pixel what the table says for its chromaticity."""
        return shift_colours(np.ascontiguousarray(band.rows), prepared, LOWEST, HIGHEST)


def chroma_gain(strength: float, relative_chroma: Float, hue_deg: Float) -> Float:
    """Factor on chroma.

    Parameters
    ----------
    strength : float
        Share of chroma that the dullest colours gain.
    relative_chroma : ndarray
        Oklab chroma over lightness.
    hue_deg : ndarray
        Oklab hue in degrees.

    Returns
    -------
    ndarray
        1 for neutrals, highest for dull colours, back to 1 for vivid ones.
    """
    square = relative_chroma * relative_chroma
    dull = square / (square + FULL_AT**2) / (1 + (relative_chroma / GONE_AT) ** 6)
    away = np.abs((hue_deg - SKIN_HUE_DEG + 180) % 360 - 180) / SKIN_WIDTH_DEG
    spared = SKIN_SPARED * np.exp(-0.5 * away * away)
    return 1 + strength * dull * (1 - spared)


def raise_chroma(rgb_linear: Float, strength: float) -> Float:
    """Raise the chroma of balanced light: the exact form of what the table holds.

    Parameters
    ----------
    rgb_linear : ndarray of shape (..., 3), dtype float64
        Linear light in the working space, neutral meaning equal components.
    strength : float
        Share of chroma that the dullest colours gain.

    Returns
    -------
    ndarray of shape (..., 3), dtype float64
        The same Oklab lightness and hue. Light without positive lightness passes unchanged.
    """
    lab = oklab_from_working(rgb_linear)
    lightness, a, b = np.moveaxis(lab, -1, 0)
    lit = lightness > 0
    relative = np.divide(np.hypot(a, b), lightness, out=np.zeros_like(a), where=lit)
    gain = np.where(lit, chroma_gain(strength, relative, np.degrees(np.arctan2(b, a))), 1.0)
    return working_from_oklab(np.stack([lightness, a * gain, b * gain], axis=-1))


def chroma_table(strength: float, correction: Float | None) -> Table:
    """What to add to light of unit sum, by its shares of green (rows) and red (columns).

    Parameters
    ----------
    strength : float
        Share of chroma that the dullest colours gain.
    correction : ndarray of shape (3, 3) or None
        White-balance correction still to come: chroma is judged as it will be after it.

    Returns
    -------
    ndarray of shape (CELLS, CELLS, 4), dtype float32
        Fades to 0 outside the triangle of non-negative light, and is 0 on its rim. The fourth plane is
        empty.
    """
    matrix = np.eye(3) if correction is None else correction
    share = np.linspace(LOWEST, HIGHEST, CELLS)
    green, red = np.meshgrid(share, share, indexing="ij")
    least = np.minimum(np.minimum(red, green), 1 - red - green)
    inside = least > LOWEST
    light = np.stack([red, green, 1 - red - green], axis=-1)[inside]
    balanced = light @ matrix.T
    change = (raise_chroma(balanced, strength) - balanced) @ np.linalg.inv(matrix).T
    fade = np.clip((least[inside] - LOWEST) / (FADE_FROM - LOWEST), 0, 1)
    table = np.zeros((CELLS, CELLS, 4), dtype=np.float32)
    table[inside, :3] = change * fade[:, None]
    table[-1] = table[:, -1] = 0
    return table
