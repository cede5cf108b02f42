"""Tone: exposure, highlights, shadows, white point and black point, local and edge-aware.

The frame is split in log2 luminance into base and detail. Highlights and shadows move the base, detail
stays. Exposure, white point and black point are the same everywhere. Colour keeps its ratios.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, ClassVar

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import LUMINANCE_OF_WORKING, SRGB_FROM_WORKING
from panopipe.colour.workspace import few_rows, scratch
from panopipe.frame import Band, Frame, FrameKey, Rows
from panopipe.light.base import DARKEST_EV, LEVEL_EV, Base, Plane32, find_base, log2_luminance, with_views
from panopipe.light.curve import (
    KNEE,
    MOST_EXPOSURE_EV,
    MOST_HIGHLIGHTS_EV,
    NEUTRAL,
    NO_BLACK_EV,
    Moves,
    moved_base,
    steeper_light,
    view_part,
)
from panopipe.light.judge import Lit, joined, lit, suited
from panopipe.light.local import MOST_ROWS, LocalCurves, RowCurves
from panopipe.setting import AUTO, Auto, number
from panopipe.stage import JobFacts, Learned, Look, Observed, RowStage, Solution


@dataclass(frozen=True)
class ToneSettings:
    """Settings of the tone stage."""

    exposure_ev: float | Auto = number(
        AUTO,
        "brightness of the whole frame; 0 leaves it as exposed",
        low=-MOST_EXPOSURE_EV,
        high=MOST_EXPOSURE_EV,
        unit="EV",
        auto=True,
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
    contrast_percent: float | Auto = number(
        AUTO,
        "how much steeper middle tones are than as recorded",
        low=-50,
        high=100,
        unit="percent",
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
    detail_percent: float | Auto = number(
        AUTO,
        "how much more than as recorded fine differences within a surface show; noise is left alone",
        low=-50,
        high=100,
        unit="percent",
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
        Weights of red, green and blue of linear sRGB as they will be after balance, with `HEADROOM`.
    white : tuple of float
        What balance will turn into white of luminance 1.
    gains : LocalCurves
        By place and luminance: gain by all but the shoulder, as a natural logarithm.
    white_point : float or None
        Display light, before the shoulder, that is shown as white; None if there is no shoulder.
    """

    luminance: Plane32
    channels: tuple[Plane32, ...]
    white: tuple[float, ...]
    gains: LocalCurves
    white_point: float | None


class Tone(RowStage[ToneSettings]):
    """Fits the light of a room, window to corner, into what a screen shows."""

    name: ClassVar[str] = "tone"
    version: ClassVar[int] = 4
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
        """One look for all frames of a room; frames that belong to none are judged each by itself."""
        rooms: dict[object, list[FrameKey]] = {}
        for key in sorted(observed):
            rooms.setdefault(key.room or key, []).append(key)
        solutions = {}
        for keys in rooms.values():
            moves = suited(joined(observed[key].seen for key in keys))
            solutions.update({key: Solution(data=moves) for key in keys})
        return solutions

    def learn(self, look: Look, settings: ToneSettings) -> Learned:
        """Settle the numbers, find the base and make the tables."""
        rows, facts = look.reduced.rows, look.reduced.facts
        correction = np.eye(3) if facts.correction is None else facts.correction
        light_ev = log2_luminance(rows, LUMINANCE_OF_WORKING @ correction)
        base = find_base(light_ev)
        found = look.solution if isinstance(look.solution, Moves) else suited(lit(base, light_ev))
        moves = settled(settings, found)
        if moves == NEUTRAL:
            return Learned(notes=_notes(moves))
        data = _learned(base, moves, correction)
        return Learned(data=data, notes=_notes(moves), wants_look=_wants_look(moves))

    def apply(self, band: Band, settings: ToneSettings, learned: Any) -> Rows:
        """Multiply each pixel by the gain that its luminance and its base ask for."""
        rows = np.ascontiguousarray(band.rows)
        for start in range(0, rows.shape[0], MOST_ROWS):
            _render(rows[start : start + MOST_ROWS], band.first + start, learned)
        return rows


def settled(settings: ToneSettings, found: Moves) -> Moves:
    """Explicit numbers of the settings, and for the others what was found."""
    explicit = {name: value for name, value in vars(settings).items() if value != AUTO}
    return replace(found, **explicit)


def _notes(moves: Moves) -> dict[str, float | str]:
    return {name: round(float(getattr(moves, name)), 3) for name in Moves.__slots__}


DARK_FRAME_EV = 6.0
"""Exposure from which a person should look at the noise: a sensor's six lowest bits."""


def _wants_look(moves: Moves) -> tuple[str, ...]:
    if moves.exposure_ev < DARK_FRAME_EV:
        return ()
    return (f"The frame was exposed {moves.exposure_ev:.1f} EV too dark: look for noise in its shadows.",)


HEADROOM = 0.3
"""Part of the way from luminance to the strongest channel that is left free above it, so that chroma raised
later finds room below clipping."""
_EV_OF_LOG = 1 / np.log(2)


def _learned(base: Base, moves: Moves, correction: NDArray[np.float64]) -> _Learned:
    luminance = LUMINANCE_OF_WORKING @ correction
    channels = (1 + HEADROOM) * (SRGB_FROM_WORKING @ correction) - HEADROOM * luminance
    return _Learned(
        luminance=luminance.astype(np.float32)[None],
        channels=tuple(weights[None] for weights in channels.astype(np.float32)),
        white=tuple(map(float, np.linalg.inv(correction).sum(axis=1))),
        gains=_gains(base, moves),
        white_point=2.0**moves.white_point_ev if moves.white_point_ev > 0 else None,
    )


def _gains(base: Base, moves: Moves) -> LocalCurves:
    """Gain by place and luminance, natural logarithm; luminance never falls along levels."""
    own = base.levels_ev[:, None]
    base = with_views(base, view_part(base.levels_ev + moves.exposure_ev))
    moved = moved_base(base.curves_ev + moves.exposure_ev, moves)
    detail = (1 + moves.detail_percent / 100 * _clean(base.curves_ev)) * (own - base.curves_ev)
    light = steeper_light(2.0 ** _never_falling(moved + detail), moves)
    gain_ev = np.log2(np.maximum(light, 2.0**DARKEST_EV)) - own
    return LocalCurves.over(gain_ev / _EV_OF_LOG, base.lowest_ev, LEVEL_EV)


NOISY_EV, CLEAN_EV = -11.0, -7.0
"""Recorded light, against diffuse white, whose fine differences are noise, and from where on they are not."""


def _clean(recorded_ev: NDArray[np.float64]) -> NDArray[np.float64]:
    part: NDArray[np.float64] = np.clip((recorded_ev - NOISY_EV) / (CLEAN_EV - NOISY_EV), 0, 1)
    return part


def _never_falling(curves: NDArray[np.float64]) -> NDArray[np.float64]:
    """Curves that don't fall along levels, halfway between the nearest above and the nearest below."""
    reached = np.maximum.accumulate(curves, axis=1)
    left = np.minimum.accumulate(curves[:, ::-1], axis=1)[:, ::-1]
    return (reached + left) / 2


def _render(rows: Rows, first: int, learned: _Learned) -> None:
    """Change a band in place, a few rows at a time."""
    curves = learned.gains.of_rows(first, *rows.shape[:2])
    for start, few in few_rows(rows):
        _render_few(few, curves, start, learned)


def _render_few(rows: Rows, curves: RowCurves, start: int, learned: _Learned) -> None:
    """Gain by luminance and place; then the shoulder, on luminance and on the strongest channel alike."""
    shape = rows.shape[:2]
    light = cv2.transform(rows, learned.luminance, dst=scratch("tone light", shape))
    gain = curves.at(start, light, out=scratch("tone gain", shape))
    cv2.exp(gain, dst=gain)
    if learned.white_point is None:
        _multiply(rows, gain)
        return
    strongest = _strongest(rows, learned.channels, scratch("tone strongest", shape))
    strongest *= gain
    if float(strongest.max()) <= KNEE:
        _multiply(rows, gain)
        return
    light *= gain
    _roll_off(rows, gain, light, strongest, learned.white, learned.white_point)


def _multiply(rows: Rows, gain: Plane32) -> None:
    cv2.multiply(
        rows, cv2.cvtColor(gain, cv2.COLOR_GRAY2BGR, dst=scratch("tone three", rows.shape)), dst=rows
    )


def _roll_off(
    rows: Rows,
    gain: Plane32,
    light: Plane32,
    strongest: Plane32,
    white: tuple[float, ...],
    white_point: float,
) -> None:
    """Luminance goes over the shoulder, and chroma shrinks until the strongest channel goes over it as well.

    What is brighter stays brighter, whatever its colour, and near white it runs into the white of the frame.
    """
    lowered = _lowered(light, white_point, out=scratch("tone lowered", light.shape))
    lost = _lowered(strongest, white_point, out=scratch("tone lost", light.shape))
    lost -= lowered
    strongest -= light
    lost /= np.maximum(strongest, np.float32(1e-6), out=strongest)
    np.clip(lost, 0, 1, out=lost)
    light *= lost
    light -= lowered
    np.subtract(1, lost, out=lost)
    gain *= lost
    _multiply(rows, gain)
    added = cv2.cvtColor(light, cv2.COLOR_GRAY2BGR, dst=scratch("tone three", rows.shape))
    cv2.accumulateProduct(added, _all_white(white, light.shape), rows)


@lru_cache(maxsize=4)
def _all_white(white: tuple[float, ...], shape: tuple[int, int]) -> Plane32:
    """The white of the frame in every pixel of a few rows."""
    return np.ascontiguousarray(np.broadcast_to(np.array(white, dtype=np.float32), (*shape, 3)))


def _lowered(light: Plane32, white_point: float, *, out: Plane32) -> Plane32:
    """How far the shoulder lowers light; what lies beyond the white point comes out as white."""
    room = (white_point - KNEE) / (1 - KNEE)
    np.clip(light, KNEE, white_point, out=out)
    np.subtract(light, out, out=(beyond := scratch("tone beyond", light.shape)))
    np.maximum(beyond, 0, out=beyond)
    out -= np.float32(KNEE)
    out *= np.float32(1 / (1 - KNEE))
    above = np.add(out, 1, out=scratch("tone above", light.shape))
    out *= out
    out /= above
    out *= np.float32((1 - KNEE) * (1 - 1 / room**2))
    out += beyond
    return out


def _strongest(rows: Rows, channels: tuple[Plane32, ...], strongest: Plane32) -> Plane32:
    """The highest channel of each pixel."""
    cv2.transform(rows, channels[0], dst=strongest)
    other = scratch("tone channel", strongest.shape)
    for weights in channels[1:]:
        np.maximum(strongest, cv2.transform(rows, weights, dst=other), out=strongest)
    return strongest
