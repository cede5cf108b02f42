"""Tone: exposure, highlights, shadows, white point and black point, local and edge-aware.

The frame is split in log2 luminance into base and detail. Highlights and shadows move the base, detail
stays. Exposure, white point and black point are the same everywhere. Colour keeps its ratios.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, ClassVar

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import LUMINANCE_OF_WORKING
from panopipe.frame import Band, Frame, FrameKey, Rows
from panopipe.light.base import DARKEST, Base, find_base, log2_luminance
from panopipe.light.curve import NEUTRAL, NO_BLACK_EV, Moves, display_light, moved_base
from panopipe.light.judge import Lit, joined, lit, suited
from panopipe.setting import AUTO, Auto, number
from panopipe.stage import JobFacts, Learned, Look, Observed, RowStage, Solution


@dataclass(frozen=True)
class ToneSettings:
    """Settings of the tone stage."""

    exposure_ev: float | Auto = number(
        AUTO, "brightness of the whole frame; 0 leaves it as exposed", low=-8, high=8, unit="EV", auto=True
    )
    highlights_ev: float | Auto = number(
        AUTO,
        "moves bright areas (windows, lamps); negative brings back the view",
        low=-3.5,
        high=2,
        unit="EV",
        auto=True,
    )
    shadows_ev: float | Auto = number(
        AUTO,
        "moves dark areas (corners, under tables); positive opens them",
        low=-3,
        high=3,
        unit="EV",
        auto=True,
    )
    white_point_ev: float | Auto = number(
        AUTO,
        "light this far above diffuse white becomes pure white; 0 compresses nothing",
        low=0,
        high=6,
        unit="EV",
        auto=True,
    )
    black_point_ev: float | Auto = number(
        NO_BLACK_EV,
        "light this far below diffuse white becomes pure black; -16 cuts nothing",
        low=NO_BLACK_EV,
        high=-4,
        unit="EV",
        auto=True,
    )


@dataclass(frozen=True, slots=True)
class _Learned:
    """What a band needs: luminance weights, the base's coefficients, and the tables of the curves."""

    weights: NDArray[np.float32]
    base: Base
    shift: NDArray[np.float32]
    rendering: NDArray[np.float32]


class Tone(RowStage[ToneSettings]):
    """Fits the light of a room, window to corner, into what a screen shows."""

    name: ClassVar[str] = "tone"
    version: ClassVar[int] = 1
    summary: ClassVar[str] = "exposure, highlights, shadows, white and black point; finds what suits the room"
    Settings: ClassVar[type] = ToneSettings
    surveys: ClassVar[bool] = True

    def survey(self, frame: Frame, settings: ToneSettings) -> Lit:
        """Count how much of the sphere lies at which luminance."""
        _, base_ev = find_base(frame.rows, LUMINANCE_OF_WORKING)
        return lit(base_ev, log2_luminance(frame.rows, LUMINANCE_OF_WORKING))

    def solve(
        self, observed: Mapping[FrameKey, Observed[ToneSettings]], job: JobFacts
    ) -> Mapping[FrameKey, Solution]:
        """One look for all frames of a room."""
        rooms: dict[str, list[FrameKey]] = {}
        for key in sorted(observed):
            rooms.setdefault(key.room, []).append(key)
        solutions = {}
        for keys in rooms.values():
            moves = suited(joined(observed[key].seen for key in keys))
            solutions.update({key: Solution(data=moves) for key in keys})
        return solutions

    def learn(self, look: Look, settings: ToneSettings) -> Learned:
        """Settle the five numbers, find the base and make the tables."""
        rows, facts = look.reduced.rows, look.reduced.facts
        matrix = np.eye(3) if facts.correction is None else facts.correction
        weights = LUMINANCE_OF_WORKING @ matrix
        base, base_ev = find_base(rows, weights)
        found = look.solution
        if not isinstance(found, Moves):
            found = suited(lit(base_ev, log2_luminance(rows, weights)))
        moves = settled(settings, found)
        if moves == NEUTRAL:
            return Learned(notes=_notes(moves))
        data = _Learned(weights.astype(np.float32)[None], base, *_tables(moves))
        return Learned(data=data, notes=_notes(moves))

    def apply(self, band: Band, settings: ToneSettings, learned: Any) -> Rows:
        """Multiply each pixel by the gain that its luminance and its base ask for."""
        return _rendered(band, learned)


def settled(settings: ToneSettings, found: Moves) -> Moves:
    """Explicit numbers of the settings, and for the others what was found."""
    explicit = {name: value for name, value in vars(settings).items() if value != AUTO}
    return replace(found, **explicit)


def _notes(moves: Moves) -> dict[str, float | str]:
    return {name: round(float(getattr(moves, name)), 3) for name in Moves.__slots__}


_STEPS = 512
"""Entries of a table for each EV: half a step changes no 8-bit code."""
_FROM_EV, _TO_EV = -24.0, 24.0
_ENTRIES = int((_TO_EV - _FROM_EV) * _STEPS)


def _tables(moves: Moves) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Exposure and move of the base, by base; and change by the global curve, by moved luminance; in EV."""
    grid = _FROM_EV + np.arange(_ENTRIES) / _STEPS
    shift = moved_base(grid + moves.exposure_ev, moves) - grid
    light = 2.0**grid
    shown = np.maximum(display_light(light, moves), 1e-12)
    return shift.astype(np.float32), (np.log2(shown) - grid).astype(np.float32)


def _looked_up(table: NDArray[np.float32], place_ev: NDArray[np.float32]) -> NDArray[np.float32]:
    entry = ((place_ev - np.float32(_FROM_EV)) * np.float32(_STEPS) + np.float32(0.5)).astype(np.int32)
    return np.take(table, entry, mode="clip")


def _rendered(band: Band, learned: _Learned) -> Rows:
    rows = band.rows
    luminance = cv2.max(cv2.transform(rows, learned.weights), DARKEST)
    light_ev = cv2.log(luminance) * np.float32(1 / np.log(2))
    slope, offset = learned.base.planes(band.first, rows.shape[0], rows.shape[1])
    shift = _looked_up(learned.shift, slope * light_ev + offset)
    shift += _looked_up(learned.rendering, light_ev + shift)
    gain = cv2.exp(shift * np.float32(np.log(2)))
    result: Rows = cv2.multiply(rows, cv2.cvtColor(gain, cv2.COLOR_GRAY2BGR), dst=rows)
    return result
