"""White balance that makes the rooms of a job one place.

The survey looks at every frame for whites, lights and local features; one joint solution
(`panopipe.studies.white`) gives each frame its white, each room its two lights, and each place of a frame its
light between them. What is mixed the light stage evens out before tone; `apply` adapts the one white that is
left to D65 in the channels of the working space, one matrix a frame.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from panopipe.capture import Capture
from panopipe.colour.spaces import Matrix
from panopipe.colour.temperature import cct_duv_from_xy, xy_from_cct_duv
from panopipe.frame import Band, Frame, FrameKey, Rows
from panopipe.pixels.matrix import transform_rows
from panopipe.setting import AUTO, Auto, number, switch
from panopipe.stage import (
    JobFacts,
    Note,
    Observation,
    Prepared,
    RowStage,
    Solution,
    Solutions,
    StageContext,
)
from panopipe.studies.white.by_place import (
    FIRST_ROUNDS,
    LightField,
    find_along,
    find_field,
    lights_by_field,
    lights_of,
    place_at,
    temperatures,
)
from panopipe.studies.white.cones import (
    PLACE_PER_MIRED,
    camera_log_chromaticity,
    correction_matrix,
    light_xy,
    place_of_light,
    xy_from_log_chromaticity,
)
from panopipe.studies.white.evenness import even_gains
from panopipe.studies.white.evidence import Evidence, gather
from panopipe.studies.white.hand import surface_log_chromaticity
from panopipe.studies.white.joint import White, solve_whites
from panopipe.studies.white.matches import Features, Pair, find_features, match_frames
from panopipe.studies.white.paint import paint_of
from panopipe.studies.white.proof import two_lights
from panopipe.studies.white.surfaces import Surfaces, surfaces_of, white_level
from panopipe.studies.white.texture import smoothness
from panopipe.studies.white.votes import FrameObservation

Place = tuple[float, float]

INDOORS = 0.5
"""A frame that looks less than this like open sky was taken inside."""

FIELDS_KEPT = 256
"""Fields of light that stay in memory while a room is worked on, a third of a megabyte each: where a room has
more frames, each is found twice."""

WEAK = 0.4
"""Confidence below which a frame's white is called weakly determined."""


@dataclass(frozen=True)
class BalanceSettings:
    """Settings of the white balance."""

    strength: float = number(
        0.95, "share of the correction: 1 makes whites neutral, below it a room keeps its mood", low=0, high=1
    )
    kelvin: float | Auto = number(
        AUTO, "colour temperature of the light, set by hand", low=1500, high=20000, unit="kelvin", auto=True
    )
    duv: float = number(
        0.0, "with kelvin: distance of the light from the black-body line, + is green", low=-0.05, high=0.05
    )
    neutral_yaw_deg: float | Auto = number(
        AUTO,
        "direction of a surface known to be neutral, in the file",
        low=-180,
        high=180,
        unit="degrees",
        auto=True,
    )
    neutral_pitch_deg: float | Auto = number(
        AUTO, "height of that surface over the horizon", low=-90, high=90, unit="degrees", auto=True
    )
    neutral_size_deg: float = number(
        2.0, "diameter of the spot that is read there", low=0.5, high=20, unit="degrees"
    )
    together: bool = switch(True, "solve this frame together with all others; off: by what it shows alone")
    even_exposure_ev: float = number(
        0.0, "most that a frame's exposure may be moved to even out its room", low=0, high=2, unit="EV"
    )

    def __post_init__(self) -> None:
        for given, other in (
            ("neutral_yaw_deg", "neutral_pitch_deg"),
            ("neutral_pitch_deg", "neutral_yaw_deg"),
        ):
            if getattr(self, given) != AUTO and getattr(self, other) == AUTO:
                raise ValueError(f"{given}: needs {other} beside it; a direction has both")


@dataclass(frozen=True, slots=True)
class Seen:
    """What the survey keeps of one frame."""

    evidence: Evidence
    features: Features
    hand: Place | None
    surfaces: Surfaces


@dataclass(frozen=True, slots=True)
class _Outline:
    """What of `Seen` is held of all frames at once, with `temperatures` of the surfaces."""

    evidence: Evidence
    hand: Place | None
    mired: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class _Answer:
    """`Solution.data`: what goes with the correction, and how sure it is."""

    gain_ev: float
    open_sky: float
    confidence: float
    by_hand: bool
    unread: bool


class Balance(RowStage[BalanceSettings, Matrix]):
    """White balance, solved for all frames of the job at once."""

    name = "balance"
    version = 39
    summary = "makes a white wall the same white in every room"
    Settings = BalanceSettings
    solve_settings: ClassVar[tuple[str, ...]] = ("strength", "together", "even_exposure_ev")
    notes: ClassVar[Mapping[str, Note]] = {
        "cct_before_kelvin": Note("colour temperature of the white as it came", "kelvin"),
        "duv_before": Note("how far the white as it came lies to the green side of lamps"),
        "cct_after_kelvin": Note("colour temperature of the white as it is now", "kelvin"),
        "duv_after": Note("how far the white as it is now lies to the green side of lamps"),
        "white_before_x": Note("CIE x of the white as it came"),
        "white_before_y": Note("CIE y of the white as it came"),
        "white_after_x": Note("CIE x of the white as it is now"),
        "white_after_y": Note("CIE y of the white as it is now"),
        "light_cct_kelvin": Note("colour temperature of the real light", "kelvin"),
        "light_duv": Note("how far the real light lies to the green side of lamps"),
        "confidence": Note("how sure the white is, 0 to 1"),
        "neutral_share": Note("part of the evidence that the white makes neutral"),
        "light_spread_mired": Note("how mixed the light is", "mired"),
        "open_sky": Note("how much the frame looks like open sky, 0 to 1"),
        "gain_ev": Note("brightness that balance gave", "EV"),
        "set_by_hand": Note("whether the white was set by hand"),
    }

    def survey(self, frame: Frame, settings: BalanceSettings) -> Seen:
        """Look for whites and local features."""
        camera = frame.facts.white_xy
        log_chromaticity = None if camera is None else camera_log_chromaticity(camera)
        level, clips_at = white_level(frame.rows), frame.facts.clips_at
        rows = frame.rows / np.float32(level)
        smooth, exposure_ev100 = smoothness(rows), _exposure_ev100(frame.facts.capture)
        told = paint_of(rows, camera_log_chromaticity(camera))
        return Seen(
            gather(rows, log_chromaticity, exposure_ev100=exposure_ev100, smooth=smooth),
            find_features(frame.rows),
            _hand_place(frame, settings),
            surfaces_of(rows, clips_at and clips_at[0] / level, smooth, told).packed(),
        )

    def solve(
        self, observed: Mapping[FrameKey, Observation[BalanceSettings]], job: JobFacts
    ) -> Mapping[FrameKey, Solution]:
        """Solve for all whites together."""
        keys = _walking_order(observed, job)
        seen = [_outlined(observed[key]) for key in keys]
        pairs = match_frames((observed[key].seen.features for key in keys), [key.room for key in keys])
        observations = _lamps_of_rooms(
            [
                _observation(key, surveyed, key == job.reference)
                for key, surveyed in zip(keys, seen, strict=True)
            ]
        )
        whites = _solve(observations, pairs, [surveyed.settings.together for surveyed in seen])
        gains = even_gains(
            [key.room for key in keys], pairs, [surveyed.settings.even_exposure_ev for surveyed in seen]
        )
        rooms = _Rooms(keys, seen, observations, whites, lambda at: observed[keys[at]].seen.surfaces)
        place = {key: at for at, key in enumerate(keys)}

        def solution(key: FrameKey) -> Solution:
            at = place[key]
            proven = rooms.two_lights(key.room)
            lit = _set_by_field(whites[at], rooms.field(at), proven, seen[at], observations[at])
            return _solution(seen[at], observations[at], lit, gains[at])

        return Solutions(keys, solution)

    def prepare(self, context: StageContext, settings: BalanceSettings) -> Prepared[Matrix]:
        """Take the matrix that was solved."""
        answer, correction = context.solution, context.reduced.facts.correction
        if not isinstance(answer, _Answer) or correction is None:
            return Prepared()
        matrix = correction * 2.0**answer.gain_ev
        facts = replace(context.reduced.facts, correction=None)
        needed = None if np.array_equal(matrix, np.eye(3)) else matrix
        return Prepared(needed, review_reasons=_words(answer), facts=facts)

    def apply(self, band: Band, settings: BalanceSettings, prepared: Matrix) -> Rows:
        """Adapt the rows."""
        rows = np.ascontiguousarray(band.rows)
        transform_rows(rows, prepared, out=rows)
        return rows


def _walking_order(observed: Mapping[FrameKey, Any], job: JobFacts) -> list[FrameKey]:
    """Frames in the order in which one walks the job, whatever the order in which they were seen."""
    walk = [key for frames in job.rooms.values() for key in frames if key in observed]
    return walk + sorted(set(observed) - set(walk))


def _exposure_ev100(capture: Capture) -> float | None:
    """Exposure value at ISO 100 (ISO 2720); None if the file does not tell all three."""
    if not (capture.exposure_s and capture.f_number and capture.iso):
        return None
    return float(np.log2(capture.f_number**2 / capture.exposure_s) - np.log2(capture.iso / 100))


def _by_hand(settings: BalanceSettings) -> bool:
    spot = isinstance(settings.neutral_yaw_deg, float) and isinstance(settings.neutral_pitch_deg, float)
    return spot or isinstance(settings.kelvin, float)


def _hand_place(frame: Frame, settings: BalanceSettings) -> Place | None:
    """Place of the white that the photographer set for a frame, if any."""
    facts, yaw, pitch = frame.facts, settings.neutral_yaw_deg, settings.neutral_pitch_deg
    if isinstance(settings.kelvin, float):
        log_chromaticity = place_of_light(xy_from_cct_duv(settings.kelvin, settings.duv), facts.white_xy)
        return float(log_chromaticity[0]), float(log_chromaticity[1])
    if isinstance(yaw, float) and isinstance(pitch, float):
        return surface_log_chromaticity(
            frame.rows, yaw - facts.anchor_yaw_deg, pitch, settings.neutral_size_deg
        )
    return None


def _outlined(surveyed: Observation[BalanceSettings]) -> Observation[BalanceSettings]:
    """An observation with no more than what is held of all frames at once."""
    seen: Seen = surveyed.seen
    mired = temperatures(seen.surfaces, camera_log_chromaticity(surveyed.facts.white_xy))
    return replace(surveyed, seen=_Outline(seen.evidence, seen.hand, mired))


def _observation(key: FrameKey, surveyed: Observation[BalanceSettings], trusted: bool) -> FrameObservation:
    seen: _Outline = surveyed.seen
    hand = (0.0, 0.0) if seen.hand is None and trusted else seen.hand
    known = surveyed.facts.white_xy is not None
    return FrameObservation(
        key.room, seen.evidence, camera_log_chromaticity(surveyed.facts.white_xy), known, hand
    )


def _lamps_of_rooms(observations: Sequence[FrameObservation]) -> list[FrameObservation]:
    """A lamp that one frame of a room sees burns for all of them."""
    lamps: dict[str, float] = {}
    for one in observations:
        lamps[one.room] = max(lamps.get(one.room, 0.0), one.evidence.lamp)
    return [replace(one, evidence=replace(one.evidence, lamp=lamps[one.room])) for one in observations]


def _solve(
    observations: Sequence[FrameObservation], pairs: Sequence[Pair], together: Sequence[bool]
) -> list[White]:
    """Whites of all frames: those that go together in one solution, the others each alone."""
    whites: dict[int, White] = {}
    joined = [i for i, joins in enumerate(together) if joins]
    index = {i: at for at, i in enumerate(joined)}
    inner = [
        Pair(index[p.first], index[p.second], p.shared) for p in pairs if {p.first, p.second} <= set(joined)
    ]
    for group, links in ([(joined, inner)] if joined else []) + [
        ([i], []) for i, joins in enumerate(together) if not joins
    ]:
        solved, _ = solve_whites([observations[i] for i in group], links)
        whites.update(zip(group, solved, strict=True))
    return [whites[i] for i in range(len(observations))]


def _lights(
    keys: Sequence[FrameKey], seen: Sequence[Observation[BalanceSettings]]
) -> dict[str, tuple[float, float]]:
    """Daylight and lamp of every room, in mired."""
    rooms: dict[str, list[tuple[float, ...]]] = {}
    for key, surveyed in zip(keys, seen, strict=True):
        rooms.setdefault(key.room, []).append(surveyed.seen.mired)
    return {room: lights_of(frames) for room, frames in rooms.items()}


class _Rooms:
    """The light of each place, found when it is asked for; whether two lights are proven a room decides."""

    def __init__(
        self,
        keys: Sequence[FrameKey],
        seen: Sequence[Observation[BalanceSettings]],
        observations: Sequence[FrameObservation],
        whites: Sequence[White],
        surfaces: Callable[[int], Surfaces],
    ) -> None:
        shown, self._frames = _lights(keys, seen), _by_room(keys)

        def given(at: int, lights_mired: tuple[float, float]) -> tuple[Surfaces, Place, Place, Place]:
            white = whites[at].log_chromaticity
            return surfaces(at), white, lights_mired, observations[at].camera

        def lights(room: str) -> tuple[float, float]:
            return lights_by_field(
                shown[room],
                [
                    (find_along(*given(at, shown[room]), FIRST_ROUNDS), observations[at].camera)
                    for at in self._frames[room]
                    if _may_be_mixed(seen[at])
                ],
            )

        lights_of_room = lru_cache(maxsize=None)(lights)

        def field(at: int) -> LightField | None:
            if not _may_be_mixed(seen[at]):
                return None
            return find_field(*given(at, lights_of_room(keys[at].room)))

        def two(room: str) -> float:
            shown = []
            for at in self._frames[room]:
                found = self.field(at)
                if found is not None:
                    shown.append((found, observations[at].camera, observations[at].evidence.lamp))
            return two_lights(shown)

        self.field = lru_cache(maxsize=FIELDS_KEPT)(field)
        self.two_lights = lru_cache(maxsize=None)(two)


def _by_room(keys: Sequence[FrameKey]) -> dict[str, list[int]]:
    rooms: dict[str, list[int]] = {}
    for at, key in enumerate(keys):
        rooms.setdefault(key.room, []).append(at)
    return rooms


def _may_be_mixed(surveyed: Observation[BalanceSettings]) -> bool:
    """Whether the light of each place is told: not outdoors, nor where the photographer named one for all."""
    named = isinstance(surveyed.settings.kelvin, float)
    return bool(surveyed.seen.evidence.open_sky < INDOORS and not named)


def _set_by_field(
    white: White,
    field: LightField | None,
    proven: float,
    surveyed: Observation[BalanceSettings],
    observation: FrameObservation,
) -> tuple[White, NDArray[np.float32] | None]:
    """The white that is left when the light is even, and how each place differs from it.

    It is the mean light of what may be white paint. A spot that was named as neutral, or a trusted frame,
    keeps the white that was given. All of it counts as far as two lights are proven; under one, and that by
    day, only what paint shows of the room's own colour is left where no paint is.
    """
    if field is None:
        return white, None
    settings, places = surveyed.settings, field.places()
    by_day = (1 - observation.evidence.lamp) * (1 - proven) * field.thrown
    if proven == 0:
        return white, -by_day.astype(np.float32)
    middle = np.array(field.mean())
    yaw, pitch = settings.neutral_yaw_deg, settings.neutral_pitch_deg
    if observation.hand is None:
        left = (1 - proven) * np.array(white.log_chromaticity) + proven * middle
        white = replace(white, log_chromaticity=(float(left[0]), float(left[1])))
    elif isinstance(yaw, float) and isinstance(pitch, float):
        middle = place_at(places, yaw - surveyed.facts.anchor_yaw_deg, pitch)
    return white, (proven * (places - middle) - by_day).astype(np.float32)


def _solution(
    surveyed: Observation[BalanceSettings],
    observation: FrameObservation,
    lit: tuple[White, NDArray[np.float32] | None],
    gain_ev: float,
) -> Solution:
    settings, seen, (white, light) = surveyed.settings, surveyed.seen, lit
    correction = correction_matrix(white.log_chromaticity, settings.strength)
    unread = _by_hand(settings) and seen.hand is None
    answer = _Answer(
        gain_ev,
        seen.evidence.open_sky,
        white.confidence,
        observation.hand is not None,
        unread,
    )
    return Solution(answer, correction, light, notes=_notes(surveyed, observation, white, gain_ev))


def _notes(
    surveyed: Observation[BalanceSettings], observation: FrameObservation, white: White, gain_ev: float
) -> dict[str, float | str]:
    """Plain figures for the review: where the frame's white stood and where it stands."""
    left = 1 - surveyed.settings.strength
    before = xy_from_log_chromaticity(white.log_chromaticity)
    after = xy_from_log_chromaticity((left * white.log_chromaticity[0], left * white.log_chromaticity[1]))
    light = light_xy(white.log_chromaticity, surveyed.facts.white_xy)
    notes: dict[str, float | str] = {}
    for name, xy in (("before", before), ("after", after)):
        kelvin, duv = cct_duv_from_xy(xy)
        notes |= {f"cct_{name}_kelvin": float(kelvin), f"duv_{name}": float(duv)}
        notes |= {f"white_{name}_x": float(xy[0]), f"white_{name}_y": float(xy[1])}
    if surveyed.facts.white_xy is not None:
        kelvin, duv = cct_duv_from_xy(light)
        notes |= {"light_cct_kelvin": float(kelvin), "light_duv": float(duv)}
        if surveyed.settings.kelvin == AUTO:
            notes["kelvin"] = round(float(kelvin))
    evidence = surveyed.seen.evidence
    return notes | {
        "confidence": 1.0 if observation.hand is not None else white.confidence,
        "neutral_share": white.neutral_share,
        "light_spread_mired": evidence.spread / PLACE_PER_MIRED,
        "open_sky": evidence.open_sky,
        "gain_ev": gain_ev,
        "set_by_hand": "yes" if observation.hand is not None else "no",
    }


def _words(answer: _Answer) -> tuple[str, ...]:
    """Say why a person should look."""
    words = []
    if answer.unread:
        words.append(
            "the spot named as neutral is clipped or black in this frame, so it was not used for the white"
        )
    if not answer.by_hand and answer.confidence < WEAK and answer.open_sky < INDOORS:
        words.append("the white balance found little to go by; check it, or name a neutral surface")
    return tuple(words)
