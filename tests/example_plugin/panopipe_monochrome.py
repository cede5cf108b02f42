"""A stage of someone else's: frames in black and white, for the reader who wants to write a stage."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from panopipe.colour.spaces import LUMINANCE_OF_WORKING
from panopipe.frame import Band, Rows
from panopipe.pixels.matrix import transform_rows
from panopipe.setting import number
from panopipe.stage import Note, Prepared, RowStage, StageContext


@dataclass(frozen=True, slots=True)
class MonochromeSettings:
    """Each field is a key of the recipe's table `[monochrome]`."""

    share: float = number(1.0, "how much of the colour goes; 0 leaves the frame as it is", low=0, high=1)


class Monochrome(RowStage[MonochromeSettings, np.ndarray]):
    """Mixes each pixel with its own luminance."""

    name = "monochrome"
    version = 1
    summary = "takes the colour out of a frame"
    Settings = MonochromeSettings
    notes: ClassVar[Mapping[str, Note]] = {"colour_taken_share": Note("part of the colour that was taken")}

    def prepare(self, context: StageContext, settings: MonochromeSettings) -> Prepared[np.ndarray]:
        """Build the mixing matrix; nothing needs to be found on the frame itself."""
        if settings.share == 0:
            return Prepared()
        grey = np.tile(LUMINANCE_OF_WORKING, (3, 1))
        mix = settings.share * grey + (1 - settings.share) * np.eye(3)
        return Prepared(data=mix, notes={"colour_taken_share": settings.share})

    def apply(self, band: Band, settings: MonochromeSettings, prepared: np.ndarray) -> Rows:
        """Mix the band's rows; a pixel depends on itself alone, so any cut gives the same bits."""
        return transform_rows(band.rows, prepared)
