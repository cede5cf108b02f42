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

import cv2
import numpy as np

from panopipe.frame import Band, Rows
from panopipe.setting import number
from panopipe.sphere.filters import smooth
from panopipe.stage import Note, Prepared, RowStage, StageContext
from panopipe.studies.white.cones import (
    PLACE_PER_MIRED,
    camera_log_chromaticity,
    log_chromaticity_from_working,
)
from panopipe.studies.white.gains import LocalGains, local_gains
from panopipe.studies.white.sunlit import with_sun
from panopipe.studies.white.trim import with_trim

_MAP, _STEP_MIRED = (24, 12), 20.0
"""Columns and rows of the little map for the page, and what one step of it stands for."""


CALM_DEG = 1.5
"""Standard deviation by which the field is smoothed: it follows the picture's own steps, and with them its
noise. On rooms of known light the true mixture blurred by 4 degrees serves as well as the sharp one."""


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
    version: ClassVar[int] = 15
    summary: ClassVar[str] = "brings lamp side and window side of a frame to one white"
    Settings: ClassVar[type] = LightSettings
    notes: ClassVar[Mapping[str, Note]] = {
        "evened_mired": Note("how far apart warmest and coldest light were that is one now", "mired"),
        "evened_map": Note(
            "where the light was warmer and where colder than the white that is left, in steps of 20 mired "
            "from 5: rows from the zenith down, columns as in the file"
        ),
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
        white = log_chromaticity_from_working(np.linalg.solve(facts.correction, np.ones(3)))
        field = smooth(np.ascontiguousarray(facts.light, np.float64), CALM_DEG)
        field = with_trim(field, context.reduced.rows, white)
        field = with_sun(field, context.reduced.rows, white, camera_log_chromaticity(facts.white_xy))
        gains = local_gains(field, facts.correction, share, clips_at)
        cold, warm = np.quantile(
            np.hypot(*np.moveaxis(facts.light, -1, 0)) * _side(facts.light), (0.02, 0.98)
        )
        notes: dict[str, float | str] = {
            "evened_mired": round(float(share * (warm - cold) / PLACE_PER_MIRED), 1)
        }
        if warm > cold:
            notes["evened_map"] = _map(share * facts.light, facts.anchor_yaw_deg)
        evened = None if gains.even else gains.table
        return Prepared(gains, notes=notes, facts=replace(facts, light=None, evened=evened))

    def apply(self, band: Band, settings: LightSettings, prepared: LocalGains) -> Rows:
        """Bring the rows to one white."""
        rows = np.ascontiguousarray(band.rows)
        prepared.apply(rows, band.first)
        return rows


def _map(light: Rows, anchor_yaw_deg: float) -> str:
    """Light by place as digits, 12 rows of 24 in the file's own yaw: the page draws them."""
    warmth = np.hypot(light[..., 0], light[..., 1]) * _side(light) / np.float32(PLACE_PER_MIRED * _STEP_MIRED)
    turned = np.roll(warmth, round(anchor_yaw_deg / 360 * light.shape[1]), axis=1)
    steps = cv2.resize(turned.astype(np.float32), _MAP, interpolation=cv2.INTER_AREA)
    return "/".join(
        "".join(str(digit) for digit in row) for row in np.clip(np.rint(5 + steps), 0, 9).astype(int)
    )


def _side(light: Rows) -> Rows:
    """1 where light is warmer than the frame's white, -1 where it is colder."""
    return np.where(light[..., 1] < 0, np.float32(1), np.float32(-1))
