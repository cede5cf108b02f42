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

from panopipe.colour.spaces import LUMINANCE_OF_WORKING, SRGB_FROM_WORKING
from panopipe.frame import Band, Frame, FrameKey, Rows
from panopipe.light.base import DARKEST_EV, LEVEL_EV, Base, Plane32, find_base, log2_luminance
from panopipe.light.curve import (
    MOST_HIGHLIGHTS_EV,
    NEUTRAL,
    NO_BLACK_EV,
    Moves,
    display_light,
    moved_base,
    whiteness,
)
from panopipe.light.judge import Lit, joined, lit, suited
from panopipe.light.local import LocalCurves
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
        low=MOST_HIGHLIGHTS_EV,
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
        AUTO,
        "light this far below diffuse white becomes pure black; -16 cuts nothing",
        low=NO_BLACK_EV,
        high=-4,
        unit="EV",
        auto=True,
    )


@dataclass(frozen=True, slots=True)
class _Learned:
    """What a band needs.

    Attributes
    ----------
    luminance : ndarray of shape (1, 3), dtype float32
        Weights of luminance as it will be after balance.
    channels : tuple of ndarray of shape (1, 3), dtype float32
        Weights of red, green and blue of linear sRGB as they will be after balance.
    white : ndarray of shape (3,), dtype float32
        What balance will turn into white of luminance 1.
    shifts : LocalCurves
        Change in EV by place and luminance: exposure, and the move of the base.
    curve, whiteness : ndarray of shape (entries,), dtype float32
        Change in EV, and share of white, by log2 of the strongest channel.
    """

    luminance: Plane32
    channels: tuple[Plane32, ...]
    white: Plane32
    shifts: LocalCurves
    curve: Plane32
    whiteness: Plane32


class Tone(RowStage[ToneSettings]):
    """Fits the light of a room, window to corner, into what a screen shows."""

    name: ClassVar[str] = "tone"
    version: ClassVar[int] = 1
    summary: ClassVar[str] = "exposure, highlights, shadows, white and black point; finds what suits the room"
    Settings: ClassVar[type] = ToneSettings
    surveys: ClassVar[bool] = True

    def survey(self, frame: Frame, settings: ToneSettings) -> Lit:
        """Count how much of the sphere lies at which luminance."""
        light_ev = log2_luminance(frame.rows, LUMINANCE_OF_WORKING)
        return lit(find_base(light_ev), light_ev)

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
        correction = np.eye(3) if facts.correction is None else facts.correction
        light_ev = log2_luminance(rows, LUMINANCE_OF_WORKING @ correction)
        base = find_base(light_ev)
        found = look.solution if isinstance(look.solution, Moves) else suited(lit(base, light_ev))
        moves = settled(settings, found)
        if moves == NEUTRAL:
            return Learned(notes=_notes(moves))
        return Learned(data=_learned(base, moves, correction), notes=_notes(moves))

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
_EV = np.float32(1 / np.log(2))
_DARKEST = np.float32(2.0**DARKEST_EV)


def _learned(base: Base, moves: Moves, correction: NDArray[np.float64]) -> _Learned:
    luminance = (LUMINANCE_OF_WORKING @ correction).astype(np.float32)[None]
    channels = tuple(weights[None] for weights in (SRGB_FROM_WORKING @ correction).astype(np.float32))
    white = np.linalg.inv(correction).sum(axis=1).astype(np.float32)
    strongest_ev = np.arange(_FROM_EV, _TO_EV, 1 / _STEPS)
    shown = np.maximum(display_light(2.0**strongest_ev, moves), 1e-12)
    curve = np.log2(shown) - strongest_ev
    return _Learned(
        luminance=luminance,
        channels=channels,
        white=white,
        shifts=_shifts(base, moves),
        curve=curve.astype(np.float32),
        whiteness=whiteness(curve).astype(np.float32),
    )


def _shifts(base: Base, moves: Moves) -> LocalCurves:
    """Change in EV by place and luminance."""
    own = base.levels_ev[:, None]
    moved = moved_base(base.curves_ev + moves.exposure_ev, moves)
    rendered = _never_falling(moved + (own - base.curves_ev))
    return LocalCurves.over(rendered - own, base.lowest_ev, LEVEL_EV)


def _never_falling(curves: NDArray[np.float64]) -> NDArray[np.float64]:
    """Curves that don't fall along levels, halfway between the nearest above and the nearest below."""
    reached = np.maximum.accumulate(curves, axis=1)
    left = np.minimum.accumulate(curves[:, ::-1], axis=1)[:, ::-1]
    return (reached + left) / 2


def _rendered(band: Band, learned: _Learned) -> Rows:
    """Gain by luminance and place, then the global curve on the strongest channel."""
    rows = band.rows
    light_ev = _ev(cv2.transform(rows, learned.luminance))
    shift = learned.shifts.at(band.first, light_ev)
    strongest = cv2.transform(rows, learned.channels[0])
    for weights in learned.channels[1:]:
        np.maximum(strongest, cv2.transform(rows, weights), out=strongest)
    place = _ev(strongest)
    place += shift
    place -= np.float32(_FROM_EV)
    place *= np.float32(_STEPS)
    entry = (place + np.float32(0.5)).astype(np.int32)
    shift += np.take(learned.curve, entry, mode="clip")
    gain = cv2.exp(shift * (1 / _EV))
    result: Rows = cv2.multiply(rows, cv2.cvtColor(gain, cv2.COLOR_GRAY2BGR), dst=rows)
    white = np.take(learned.whiteness, entry, mode="clip")
    glowing = white > 0
    if glowing.any():
        steps = entry[glowing].clip(0, learned.curve.size - 1)
        level = np.exp2(steps * np.float32(1 / _STEPS) + np.float32(_FROM_EV) + learned.curve[steps])
        toned = result[glowing]
        result[glowing] = toned + white[glowing, None] * (level[:, None] * learned.white - toned)
    return result


def _ev(plane: Plane32) -> Plane32:
    """Log2 of light, in place."""
    np.maximum(plane, _DARKEST, out=plane)
    cv2.log(plane, plane)
    return np.multiply(plane, _EV, out=plane)
