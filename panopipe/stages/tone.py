"""Tone: exposure, highlights, shadows, and slope, shoulder and toe of the curve, local and edge-aware.

The frame is split in log2 luminance into base and detail. Highlights and shadows move the base, detail
stays. Exposure, slope, shoulder and toe are the same everywhere. Colour keeps its ratios.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import LUMINANCE_OF_WORKING, SRGB_FROM_WORKING
from panopipe.frame import Band, Frame, FrameFacts, FrameKey, Rows
from panopipe.pixels.adaptation import NEVER, adapt_rows, rebuilt_at, saturating_at
from panopipe.pixels.easing import smooth_step
from panopipe.pixels.matrix import transform_rows
from panopipe.setting import AUTO, Auto, number
from panopipe.stage import JobFacts, Observation, Prepared, RowStage, Solution, StageContext
from panopipe.studies.light.bars import bars_relit
from panopipe.studies.light.base import (
    DARKEST_EV,
    LEVEL_EV,
    THINGS,
    Base,
    find_base,
    log2_luminance,
    with_surroundings,
    with_views,
)
from panopipe.studies.light.colours import open_sky, vivid_ev
from panopipe.studies.light.curve import (
    MOST_EXPOSURE_EV,
    MOST_HIGHLIGHTS_EV,
    NEUTRAL,
    NO_TOE_EV,
    Moves,
    moved_base,
    steeper_light,
    view_part,
)
from panopipe.studies.light.grain import grain_ev
from panopipe.studies.light.judge import OUTDOORS, Lit, joined, lit, room_white_ev, suited
from panopipe.studies.light.local import LocalCurves
from panopipe.studies.light.outlook import Outlook, outlook
from panopipe.studies.light.render import DaylightView, Rendering, render
from panopipe.studies.light.sight import Mask, plane_of_light
from panopipe.studies.light.views import (
    daylight_in,
    relit,
    view_change,
    view_shares,
    whitened,
)
from panopipe.studies.light.zone import find_zone


@dataclass(frozen=True)
class ToneSettings:
    """Settings of the tone stage.

    Slope, shoulder and toe are the parts of the characteristic curve, as sensitometry names them.

    References
    ----------
    .. [1] F. Hurter and V. C. Driffield, Photo-chemical investigations and a new method of determination of
       the sensitiveness of photographic plates, Journal of the Society of Chemical Industry 9, 1890.
    """

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
    slope_percent: float | Auto = number(
        AUTO,
        "how much steeper middle tones are than as recorded",
        low=-50,
        high=100,
        unit="percent",
        auto=True,
        formerly="contrast_percent",
    )
    shoulder_ev: float | Auto = number(
        AUTO,
        "light this far above diffuse white becomes pure white; 0 compresses nothing",
        low=0,
        high=6,
        unit="EV",
        auto=True,
        formerly="white_point_ev",
    )
    toe_ev: float | Auto = number(
        AUTO,
        "light this far below diffuse white becomes pure black; -16 cuts nothing",
        low=NO_TOE_EV,
        high=-4,
        unit="EV",
        auto=True,
        formerly="black_point_ev",
    )
    detail_percent: float | Auto = number(
        AUTO,
        "how much more than as recorded fine differences within a surface show; noise is left alone",
        low=-50,
        high=100,
        unit="percent",
        auto=True,
    )
    view_white_percent: float = number(
        100.0,
        "how far daylight in a window goes towards white where the room's white is that of lamps",
        low=0,
        high=100,
        unit="percent",
    )


class Tone(RowStage[ToneSettings, Rendering]):
    """Fits the light of a room, window to corner, into what a screen shows."""

    name: ClassVar[str] = "tone"
    version: ClassVar[int] = 36
    summary: ClassVar[str] = (
        "exposure, highlights, shadows, slope, shoulder and toe; finds what suits the room"
    )
    Settings: ClassVar[type] = ToneSettings
    survey_settings: ClassVar[tuple[str, ...]] = ()

    def survey(self, frame: Frame, settings: ToneSettings) -> Lit:
        """Count how much of the sphere lies at which luminance."""
        light_ev = log2_luminance(frame.rows, LUMINANCE_OF_WORKING)
        return _seen(frame, find_base(light_ev), light_ev)

    def solve(
        self, observed: Mapping[FrameKey, Observation[ToneSettings]], job: JobFacts
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

    def prepare(self, context: StageContext, settings: ToneSettings) -> Prepared[Rendering]:
        """Settle the numbers, find the base and make the tables."""
        facts, looked = context.reduced.facts, _looked_at(context)
        base, seen = looked.base, looked.seen
        suited_moves = context.solution if isinstance(context.solution, Moves) else suited(seen)
        moves = settled(settings, suited_moves)
        if moves == NEUTRAL:
            return Prepared(notes=_notes(moves))
        gains, zone = _gains(base, moves), np.zeros(looked.balanced.shape[:2], dtype=bool)
        if seen.open_sky < OUTDOORS and moves.highlights_ev < 0:
            zone = _zone(context.memory, looked, context.reduced)
        view = _outlook(zone, looked, context.reduced.rows, moves, gains)
        share = settings.view_white_percent / 100
        data = replace(_rendering(facts, gains, moves), outlook=view, relit=_relit(zone, facts, share))
        data = replace(data, views=_daylight(looked.balanced, facts, base, moves, share))
        return Prepared(
            data=data, notes=_notes(moves), review_reasons=_review_reasons(moves, context.reduced)
        )

    def apply(self, band: Band, settings: ToneSettings, prepared: Rendering) -> Rows:
        """Multiply each pixel by the gain that its luminance and its base ask for."""
        rows = np.ascontiguousarray(band.rows)
        render(rows, band.first, prepared)
        return rows


@dataclass(frozen=True, slots=True, eq=False)
class _Looked:
    """What a frame is, whatever the settings: its base, what it tells of its light, its light balanced."""

    base: Base
    seen: Lit
    balanced: Rows


def _looked_at(context: StageContext) -> _Looked:
    """Look at the frame, or remember it."""
    if "looked" not in context.memory:
        rows, facts = context.reduced.rows, context.reduced.facts
        correction = np.eye(3) if facts.correction is None else facts.correction
        light_ev = log2_luminance(rows, LUMINANCE_OF_WORKING @ correction)
        base = find_base(light_ev)
        seen = _seen(context.reduced, base, light_ev)
        context.memory["looked"] = _Looked(base, seen, transform_rows(rows, correction))
    looked: _Looked = context.memory["looked"]
    return looked


def _zone(memory: dict[str, Any], looked: _Looked, reduced: Frame) -> Mask:
    """Where the frame shows what lies outside."""
    if "zone" not in memory:
        clips_at = reduced.facts.clips_at
        clips_ev = float(np.log2(clips_at[0])) if clips_at else np.inf
        by_day = _by_day(reduced, looked)
        memory["zone"] = find_zone(looked.balanced, room_white_ev(looked.seen), clips_ev, by_day)
    zone: Mask = memory["zone"]
    return zone


def _by_day(reduced: Frame, looked: _Looked) -> Rows:
    """The frame as daylight's white shows it, where a stage before has evened the light: lamps are warm."""
    facts = reduced.facts
    if facts.white_xy is None or facts.evened is None:
        return looked.balanced
    correction = np.eye(3) if facts.correction is None else facts.correction
    gains, rows = relit(facts.evened, correction, facts.white_xy, 1.0), reduced.rows.copy()
    adapt_rows(rows, 0, gains=gains, white=np.ones(3, np.float32), saturating=NEVER)
    return transform_rows(rows, correction)


def _seen(frame: Frame, base: Base, light_ev: NDArray[np.float32]) -> Lit:
    """What a frame tells of its room's light."""
    white_xy = frame.facts.white_xy
    return lit(base, light_ev, vivid_ev(frame.rows, white_xy), open_sky(frame.rows, white_xy))


def settled(settings: ToneSettings, suited_moves: Moves) -> Moves:
    """Explicit numbers of the settings, and for the others what was found."""
    explicit = {name: value for name in Moves.__slots__ if (value := getattr(settings, name)) != AUTO}
    return replace(suited_moves, **explicit)


def _notes(moves: Moves) -> dict[str, float | str]:
    return {name: round(float(getattr(moves, name)), 3) for name in Moves.__slots__}


DARK_FRAME_EV, GRAIN_EV = 6.4, 0.1
"""Exposure from which a person should look at the noise, if there is any: a sensor's six lowest bits. And the
noise of a full-size pixel in the shadows that is some: 7 %, as in a phone's picture taken by night."""


def _review_reasons(moves: Moves, reduced: Frame) -> tuple[str, ...]:
    """A frame that was exposed too dark has noise, unless it is a bracket that was merged."""
    if moves.exposure_ev < DARK_FRAME_EV:
        return ()
    light_ev = plane_of_light(reduced.rows) + moves.exposure_ev
    grain = grain_ev(light_ev) * np.sqrt(reduced.facts.width / light_ev.shape[1])
    if grain < GRAIN_EV:
        return ()
    return (f"The frame was exposed {moves.exposure_ev:.1f} EV too dark: look for noise in its shadows.",)


def _rendering(facts: FrameFacts, gains: LocalCurves, moves: Moves) -> Rendering:
    """Tables and matrices that a band needs in any case."""
    correction = np.eye(3) if facts.correction is None else facts.correction
    screen = SRGB_FROM_WORKING @ correction
    return Rendering(
        luminance=(LUMINANCE_OF_WORKING @ correction).astype(np.float32)[None],
        screen=screen,
        from_screen=np.asarray(np.linalg.inv(screen), dtype=np.float64),
        gains=gains,
        white_point=2.0**moves.shoulder_ev if moves.shoulder_ev > 0 else None,
        balance=np.diag(correction).copy(),
        saturating=saturating_at(facts.clips_at and facts.clips_at[1]),
        rebuilt=rebuilt_at(facts.clips_at and facts.clips_at[0]),
    )


def _daylight(rows: Rows, facts: FrameFacts, base: Base, moves: Moves, share: float) -> DaylightView | None:
    """What gives light from outside its own white, whatever was done for the white of the room.

    Where a stage before has evened the light, all that is no view has got its white, however bright.
    """
    if facts.white_xy is None or facts.evened is not None:
        return None
    correction = np.eye(3) if facts.correction is None else facts.correction
    own = daylight_in(correction, facts.white_xy)
    change = view_change(correction, own, whitened(own, share))
    return change if change is None else DaylightView(view_shares(rows, base, moves.exposure_ev, own), change)


def _relit(zone: Mask, facts: FrameFacts, share: float) -> Rows | None:
    """Gains that give a view its own white and its bars the room's, where a stage before evened the light."""
    if facts.white_xy is None or facts.evened is None or not zone.any():
        return None
    correction = np.eye(3) if facts.correction is None else facts.correction
    view = relit(facts.evened, correction, facts.white_xy, share)
    return np.concatenate([view, bars_relit(facts.evened, zone)], axis=-1)


WHOLE_VIEW_EV = 2.0
"""Highlights lowered by this much or more bring back a view wholly."""


def _outlook(zone: Mask, looked: _Looked, rows: Rows, moves: Moves, gains: LocalCurves) -> Outlook | None:
    """The view from the room, exposed for itself as far as highlights are lowered."""
    share = float(np.clip(-moves.highlights_ev / WHOLE_VIEW_EV, 0, 1))
    if share == 0 or not zone.any():
        return None
    light_ev = plane_of_light(looked.balanced)
    seen = outlook(zone, light_ev, rows, looked.base, light_ev + gains.nearest(light_ev))
    if seen is None or share == 1:
        return seen
    table = gains.table + np.float32(share) * (seen.gains.table - gains.table)
    return replace(seen, gains=replace(seen.gains, table=table))


def _gains(base: Base, moves: Moves) -> LocalCurves:
    """Gain in EV by place and luminance; luminance never falls along levels."""
    own = base.levels_ev[:, None]
    base = with_surroundings(with_views(base, view_part(base.levels_ev + moves.exposure_ev)))
    plain = 1 - smooth_step((base.rough - PLAIN) / (TEXTURED - PLAIN))
    plain *= 1 - smooth_step((own + moves.exposure_ev - OUTSIDE_FROM_EV) / OUTSIDE_OVER_EV)
    detail = own - base.curves_ev
    faint = FAINT_EV * np.tanh(PLAIN_SHARE / FAINT_EV * detail)
    textured = 1 - plain
    plain *= 1 - smooth_step((-detail - THING_FROM_EV) / THING_OVER_EV) * smooth_step(base.thing / THINGS)
    detail += plain * (faint - detail)
    detail *= 1 - THING_LOSS * smooth_step((-detail - THING_FROM_EV) / THING_OVER_EV)
    moved = moved_base(own - detail + moves.exposure_ev, moves)
    raised = moves.detail_percent / 100 * textured * _clean(base) * FINE_EV * np.tanh(detail / FINE_EV)
    light = steeper_light(2.0 ** _never_falling(moved + detail + raised), moves)
    gain_ev = np.log2(np.maximum(light, 2.0**DARKEST_EV)) - own
    return LocalCurves.over(gain_ev, base.lowest_ev, LEVEL_EV)


NOISY_EV, CLEAN_EV = -11.0, -7.0
"""Recorded light, against diffuse white, whose fine differences are noise, and from where on they are not."""
PLAIN, TEXTURED = 0.5, 0.75
"""Roughness up to which a surface is plain, and from where on it is all texture."""
PLAIN_SHARE, FAINT_EV = 0.5, 0.1
"""Share of a plain surface's detail that stays detail, and how much that is at most; all else is base. A
lamp's glow then falls from the lamp outwards as it did, without a halo or a ring, and the ceiling it falls on
keeps some of its own structure."""
FINE_EV = 0.8
"""Difference from the base up to which it is raised in full; what differs more is seen well enough."""
THING_FROM_EV, THING_OVER_EV = 0.4, 0.6
"""How much darker than its surroundings a plain surface is a thing of its own, and no fall of light."""
THING_LOSS = 0.07
"""Share of that difference that is given up: an 18 % card then lies near L* 46, white paint at L* 86."""
OUTSIDE_FROM_EV, OUTSIDE_OVER_EV = 2.5, 1.0
"""Light over diffuse white, before highlights, from where it is no surface of the room, and over how many EV:
clouds and lawns stay apart, plain as they are."""


def _clean(base: Base) -> NDArray[np.float64]:
    """How far differences from the base are no noise, 0 to 1."""
    clean: NDArray[np.float64] = np.clip((base.curves_ev - NOISY_EV) / (CLEAN_EV - NOISY_EV), 0, 1)
    return clean


def _never_falling(curves: NDArray[np.float64]) -> NDArray[np.float64]:
    """Curves that don't fall along levels, halfway between the nearest above and the nearest below."""
    reached = np.maximum.accumulate(curves, axis=1)
    left = np.minimum.accumulate(curves[:, ::-1], axis=1)[:, ::-1]
    return (reached + left) / 2
