"""Sharpen: gives back what lens and stitcher have taken from edges, alike at the horizon and at the ceiling.

How soft a frame is, its own edges tell. What is no more than grain, or than the noise that denoise left, is
left alone, so are clipped places, and no edge goes beyond its neighbours by more than a little. The floor
that was filled in is sharpened as the floor around it, from which it was taken: it would stand out as soft
otherwise.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import LUMINANCE_OF_WORKING
from panopipe.frame import Band, Rows
from panopipe.pixels.sharpen import MARGIN, sharpen
from panopipe.setting import number
from panopipe.stage import MarginStage, Note, Prepared, StageContext
from panopipe.studies.sharpness.softness import blur_px, distances, strength

GRAIN, OVER_GRAIN = 0.01, 3.0
"""Contrast of which half is raised: a wall's grain has less, an edge that the eye finds has more. And how
many times the noise that is left it is at least: of noise itself a tenth is raised then."""
BEYOND = 0.018
"""How far an edge may go beyond its neighbours: with its noise, and against the step of a 3 EV edge, it stays
under the least step of light that is seen, 3 % (common practice, no source)."""


@dataclass(frozen=True)
class SharpenSettings:
    """Settings of the sharpen stage."""

    mtf50_percent: float = number(
        35.0,
        "how much finer a structure may be to show half its contrast; frames that are sharp gain nothing, 0 "
        "changes nothing",
        low=0,
        high=60,
        unit="percent",
    )


class Sharpen(MarginStage[SharpenSettings, NDArray[np.float32]]):
    """Makes soft edges steeper."""

    name: ClassVar[str] = "sharpen"
    version: ClassVar[int] = 3
    summary: ClassVar[str] = "makes edges as steep as the frame's own softness asks for"
    Settings: ClassVar[type] = SharpenSettings
    notes: ClassVar[Mapping[str, Note]] = {"blur_px": Note("blur of the frame's sharpest edges", "px")}

    def margin_rows(self, height: int, settings: SharpenSettings) -> int:
        """Rows of the filter and its window."""
        return min(MARGIN, height)

    def prepare(self, context: StageContext, settings: SharpenSettings) -> Prepared[NDArray[np.float32]]:
        """Tell from the blur how much is wanted."""
        facts = context.reduced.facts
        if settings.mtf50_percent == 0 or facts.noise is None or not facts.noise.edge_ratio > 0:
            return Prepared()
        if facts.height < 4 * MARGIN:
            return Prepared()
        blur = blur_px(facts.noise.edge_ratio) * facts.width / facts.noise.width
        share = strength(blur, settings.mtf50_percent / 100)
        notes = {"blur_px": round(blur, 3)}
        if share == 0:
            return Prepared(notes=notes)
        return Prepared(np.array([share, max(GRAIN, OVER_GRAIN * facts.grain), BEYOND], np.float32), notes)

    def apply(self, band: Band, settings: SharpenSettings, prepared: NDArray[np.float32]) -> Rows:
        """Sharpen at full size; the reduced frame is sharp."""
        count = band.last - band.first
        if band.height != band.facts.height:
            return band.rows[band.margin : band.margin + count].copy()
        rows = np.arange(band.first - MARGIN, band.last + MARGIN)
        out = np.empty((count, *band.rows.shape[1:]), np.float32)
        weights = LUMINANCE_OF_WORKING.astype(np.float32)
        sharpen(np.ascontiguousarray(band.rows), weights, distances(rows, band.height), prepared, out)
        return out
