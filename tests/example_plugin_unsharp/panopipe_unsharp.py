"""A stage of someone else's that looks at neighbouring rows: an unsharp mask of one angle everywhere."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from panopipe.frame import Band, Rows
from panopipe.setting import number
from panopipe.sphere.geometry import pitch_of_row
from panopipe.stage import MarginStage, Prepared, StageContext


@dataclass(frozen=True, slots=True)
class UnsharpSettings:
    """Each field is a key of the recipe's table `[unsharp]`."""

    amount: float = number(0.5, "how much of the fine structure is added; 0 changes nothing", low=0, high=2)
    reach_deg: float = number(0.1, "how far structure may reach", low=0.01, high=1, unit="degrees")


class Unsharp(MarginStage[UnsharpSettings, np.ndarray]):
    """Adds to each pixel what sets it off from the mean of its neighbourhood."""

    name = "unsharp"
    version = 1
    summary = "makes fine structure stand out"
    Settings = UnsharpSettings

    def margin_rows(self, height: int, settings: UnsharpSettings) -> int:
        """Rows within reach: more of them in a larger frame."""
        return min(max(round(settings.reach_deg * height / 180), 1), height)

    def prepare(self, context: StageContext, settings: UnsharpSettings) -> Prepared:
        """Nothing needs to be found out on the frame itself."""
        return Prepared() if settings.amount == 0 else Prepared(data=np.float32(settings.amount))

    def apply(self, band: Band, settings: UnsharpSettings, prepared: np.float32) -> Rows:
        """Compare with the weighted mean of nine pixels: down the columns first, then along the rows.

        Additions come in the same order for every pixel, so any cut gives the same bits.
        """
        margin, count = band.margin, band.last - band.first
        middle = band.rows[margin : margin + count]
        above, below = band.rows[:count], band.rows[2 * margin :]
        mean = (above + below) * np.float32(0.25) + middle * np.float32(0.5)
        for row, pitch_deg in enumerate(pitch_of_row(np.arange(band.first, band.last), band.height)):
            columns = round(margin / np.cos(np.radians(pitch_deg)))  # a degree takes more of them up there
            left, right = np.roll(mean[row], columns, axis=0), np.roll(mean[row], -columns, axis=0)
            mean[row] = (left + right) * np.float32(0.25) + mean[row] * np.float32(0.5)
        return middle + prepared * (middle - mean)
