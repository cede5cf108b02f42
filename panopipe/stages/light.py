"""Light: where lamp and daylight mix, every place is brought to the frame's one white.

White balance follows the light from place to place in its solution (`panopipe.studies.white.by_place`) and
tells every stage of it: `FrameFacts.light` says how each place differs from the white that
`FrameFacts.correction` will make neutral. This stage takes those differences out.

It comes before tone, since what rolls light off towards white must see one light everywhere. What a lampshade
or a window lost by clipping takes the colour of that white too, and turns neither mint nor blue when balance
makes the white neutral.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from panopipe.frame import Band, Rows
from panopipe.setting import number
from panopipe.stage import Note, Prepared, RowStage, StageContext
from panopipe.studies.white.cones import PLACE_PER_MIRED
from panopipe.studies.white.gains import LocalGains, local_gains


@dataclass(frozen=True)
class LightSettings:
    """Settings of the light stage."""

    evened_percent: float = number(
        100.0,
        "how far lamp side and window side of a frame are brought to one white; 0 leaves them",
        low=0,
        high=100,
        unit="percent",
    )


class Light(RowStage[LightSettings, LocalGains]):
    """Evens out mixed light; where balance found one light, only what clipped changes."""

    name: ClassVar[str] = "light"
    version: ClassVar[int] = 2
    summary: ClassVar[str] = "brings lamp side and window side of a frame to one white"
    Settings: ClassVar[type] = LightSettings
    notes: ClassVar[Mapping[str, Note]] = {
        "evened_mired": Note("how far apart warmest and coldest light were that is one now", "mired"),
    }

    def prepare(self, context: StageContext, settings: LightSettings) -> Prepared[LocalGains]:
        """Make gains of what balance found."""
        facts = context.reduced.facts
        if facts.light is None or facts.correction is None or settings.evened_percent == 0:
            return Prepared(notes={"evened_mired": 0.0})
        if not facts.light.any() and np.array_equal(facts.correction, np.eye(3)):
            return Prepared(notes={"evened_mired": 0.0})
        share = settings.evened_percent / 100
        clips_at = facts.clips_at and facts.clips_at[1]
        gains = local_gains(facts.light.astype(np.float64), facts.correction, share, clips_at)
        cold, warm = np.quantile(
            np.hypot(*np.moveaxis(facts.light, -1, 0)) * _side(facts.light), (0.02, 0.98)
        )
        notes = {"evened_mired": round(float(share * (warm - cold) / PLACE_PER_MIRED), 1)}
        return Prepared(gains, notes=notes, facts=replace(facts, light=None))

    def apply(self, band: Band, settings: LightSettings, prepared: LocalGains) -> Rows:
        """Bring the rows to one white."""
        rows = np.ascontiguousarray(band.rows)
        prepared.apply(rows, band.first)
        return rows


def _side(light: Rows) -> Rows:
    """1 where light is warmer than the frame's white, -1 where it is colder."""
    return np.where(light[..., 1] < 0, np.float32(1), np.float32(-1))
