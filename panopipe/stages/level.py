"""Level: brings the horizon of a frame that leaned back to the middle of the picture.

It comes late, after the floor was filled: the monopod leans with the camera, so its foot lies under the
frame's own nadir and not under the true one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import LUMINANCE_OF_WORKING
from panopipe.colour.transfer import srgb_encode
from panopipe.frame import Band, FrameFacts, Rows
from panopipe.setting import AUTO, Auto, number
from panopipe.sphere.turn import levelling_rotation, turn_in_place
from panopipe.sphere.upright import Tilt, horizon_tilt
from panopipe.stage import Applied, Note, Prepared, SpanStage, StageContext

LEAST_DEG = 0.5
"""Tilt from which a frame is levelled. Less is not seen in a tour (common practice, no source), and turning
costs a little sharpness. Of 40 upright rendered rooms one in twenty was read as 0.35 to 0.42 degrees:
edges of one piece of furniture lean together, which their scatter does not tell."""
SURE = 4.0
"""How many standard errors a tilt must measure to be believed."""


@dataclass(frozen=True)
class LevelSettings:
    """Settings of the level stage."""

    tilt_deg: float | Auto = number(
        AUTO,
        "how far the camera leaned; auto reads it from upright edges, 0 leaves the frame as it is",
        low=0,
        high=15,
        unit="degrees",
        auto=True,
    )
    toward_yaw_deg: float = number(
        0.0,
        "with a tilt given by hand: where the true zenith lies from the frame's own; 0 is the middle of the "
        "frame, 90 right of it",
        low=-360,
        high=360,
        unit="degrees",
    )


class Level(SpanStage[LevelSettings, NDArray[np.float64]]):
    """Turns a frame that leaned so that upright is upright."""

    name: ClassVar[str] = "level"
    version: ClassVar[int] = 4
    summary: ClassVar[str] = "brings the horizon of a frame that leaned back to level"
    Settings: ClassVar[type] = LevelSettings
    notes: ClassVar[Mapping[str, Note]] = {
        "tilt_found_deg": Note("lean that upright edges tell of", "degrees"),
        "tilt_error_deg": Note("how far that may be off", "degrees"),
        "levelled_deg": Note("lean that was taken out", "degrees"),
    }

    def span(self, facts: FrameFacts, settings: LevelSettings) -> tuple[int, int]:
        """All rows, or none when the tilt is set to 0."""
        return (0, 0) if settings.tilt_deg == 0 else (0, facts.height)

    def prepare(self, context: StageContext, settings: LevelSettings) -> Prepared[NDArray[np.float64]]:
        """Find the tilt, or take the one given."""
        if settings.tilt_deg == 0:
            return Prepared()
        facts = context.reduced.facts
        if settings.tilt_deg != AUTO:
            tilt, toward = float(settings.tilt_deg), settings.toward_yaw_deg - facts.anchor_yaw_deg
            return Prepared(levelling_rotation(tilt, toward), {"levelled_deg": tilt}, facts=_upright(facts))
        lean = horizon_tilt(_as_seen(context.reduced.rows))
        if lean is None or not believed(lean):
            return Prepared(notes={**({} if lean is None else _notes(lean)), "tilt_deg": 0.0})
        rotation = levelling_rotation(lean.tilt_deg, lean.toward_yaw_deg)
        toward_deg = (lean.toward_yaw_deg + facts.anchor_yaw_deg + 180) % 360 - 180
        taken: dict[str, float | str] = {
            "levelled_deg": round(lean.tilt_deg, 3),
            "tilt_deg": round(lean.tilt_deg, 3),
            "toward_yaw_deg": round(toward_deg, 2),
        }
        notes = _notes(lean) | taken
        return Prepared(rotation, notes, facts=_upright(facts))

    def apply(self, band: Band, settings: LevelSettings, prepared: NDArray[np.float64]) -> Applied:
        """Turn the whole frame."""
        turn_in_place(band.rows, prepared)
        return Applied(band.rows)


def believed(tilt: Tilt) -> bool:
    """Whether a tilt is large and sure enough to turn a frame for it."""
    return tilt.tilt_deg >= max(LEAST_DEG, SURE * tilt.error_deg)


def _upright(facts: FrameFacts) -> FrameFacts:
    """A lean that the file told of is gone: no viewer levels the frame again. What it left unsaid stays."""
    pitch_deg = None if facts.capture.pitch_deg is None else 0.0
    roll_deg = None if facts.capture.roll_deg is None else 0.0
    return replace(facts, capture=replace(facts.capture, pitch_deg=pitch_deg, roll_deg=roll_deg))


def _notes(tilt: Tilt) -> dict[str, float | str]:
    return {"tilt_found_deg": round(tilt.tilt_deg, 3), "tilt_error_deg": round(tilt.error_deg, 3)}


def _as_seen(rows: Rows) -> NDArray[np.uint8]:
    """8-bit picture of a frame, bright enough to show its edges wherever the stage stands in the order."""
    middle = float(np.median(rows @ LUMINANCE_OF_WORKING.astype(np.float32)))
    gain = 0.18 / middle if middle > 0 else 1.0
    light = np.clip(rows * np.float32(gain * _FULL), 0, _FULL)
    codes: NDArray[np.uint8] = np.take(_codes(), light.astype(np.uint16))
    return codes


_FULL = 65535


@cache
def _codes() -> NDArray[np.uint8]:
    """8-bit code of each 16-bit step of linear light: a curve for each pixel would cost ten times this."""
    return np.round(srgb_encode(np.arange(_FULL + 1) / _FULL) * 255).astype(np.uint8)
