"""North: finds where each frame stood and what it sees, and on wish lets all finished spheres face one way.

The survey finds features of every frame; the joint solution (`panopipe.studies.stands`) puts the frames into
one plan. No pixel is changed here: a picture is turned by whole columns when it is written.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from panopipe.frame import Band, Frame, FrameFacts, FrameKey, Rows
from panopipe.setting import choice, number, switch
from panopipe.stage import (
    JobFacts,
    LinkByHand,
    Note,
    Observation,
    Prepared,
    RowStage,
    Sightline,
    Solution,
    StageContext,
    Stand,
)
from panopipe.studies.stands.features import Features, find_features
from panopipe.studies.stands.motion import wrapped
from panopipe.studies.stands.rooms import rooms_of
from panopipe.studies.stands.solve import WALLS_CLEAR, Shoot, solve_shoot

AS_SHOT, TOGETHER = "as shot", "together"
UNSURE = 0.5
"""Certainty below which a link deserves a look."""


@dataclass(frozen=True)
class NorthSettings:
    """Settings of the north stage."""

    place: bool = switch(True, "find where each frame stood and which frames see each other")
    camera_height_m: float = number(
        1.5,
        "height of the camera over the floor, which gives the map its metres",
        low=0.2,
        high=10,
        unit="metres",
    )
    facing: str = choice(
        AS_SHOT,
        "together: all finished spheres face the same way, turned by whole pixels",
        choices=(AS_SHOT, TOGETHER),
    )


class North(RowStage[NorthSettings, None]):
    """Where each frame stood, and which way it faces."""

    name: ClassVar[str] = "north"
    version: ClassVar[int] = 4
    summary: ClassVar[str] = "finds where each frame stood; on wish all spheres face one way"
    Settings: ClassVar[type] = NorthSettings
    solve_settings: ClassVar[tuple[str, ...]] = ("camera_height_m", "facing")
    notes: ClassVar[Mapping[str, Note]] = {
        "turned_deg": Note(
            "how far the finished picture is turned to the left, so that all face one way", "degrees"
        ),
    }

    def survey(self, frame: Frame, settings: NorthSettings) -> Features | None:
        """Find features to match with other frames."""
        return find_features(frame.rows) if settings.place else None

    def solve(
        self, observed: Mapping[FrameKey, Observation[NorthSettings]], job: JobFacts
    ) -> Mapping[FrameKey, Solution]:
        """Put all frames into one plan."""
        keys = sorted(key for key, one in observed.items() if isinstance(one.seen, Features))
        if not keys:
            return {}
        times = taken_times([observed[key].facts for key in keys])
        try:
            shoot = solve_shoot([observed[key].seen for key in keys], times, [key.named_room for key in keys])
        except (ValueError, ArithmeticError, IndexError, np.linalg.LinAlgError) as error:
            # A map is worth much, a night's frames more.
            stand = Stand(doubt=f"Where it stood could not be worked out ({error}).")
            return {key: Solution(stand=stand) for key in keys}
        return _Answers(keys, observed, job, shoot, rooms_of(shoot, times)).solutions()

    def prepare(self, context: StageContext, settings: NorthSettings) -> Prepared[None]:
        """Turn the finished picture, if the solution says so."""
        facts, turned_deg = context.reduced.facts, context.solution
        capture = facts.capture
        if not isinstance(turned_deg, _Facing):
            return Prepared()
        columns = round(turned_deg.turned_deg * facts.width / 360) % facts.width
        exact_deg = columns * 360 / facts.width
        heading = capture.heading_deg if turned_deg.heading_deg is None else turned_deg.heading_deg
        if heading is not None:
            capture = replace(capture, heading_deg=round((heading + exact_deg) % 360, 3))
        changed = replace(facts, turned_columns=columns, capture=capture)
        notes: dict[str, float | str] = {"turned_deg": round(exact_deg, 3)} if columns else {}
        return Prepared(notes=notes, facts=changed)

    def apply(self, band: Band, settings: NorthSettings, prepared: None) -> Rows:
        """Leave the rows as they are."""
        return band.rows


@dataclass(frozen=True, slots=True)
class _Facing:
    """`Solution.data`: how far the picture is turned; the file's true heading where a hand gave it."""

    turned_deg: float
    heading_deg: float | None


def taken_times(facts: Sequence[FrameFacts]) -> list[float]:
    """Seconds at which frames were taken; their order in the list where a file does not tell."""
    told = [one.capture.seconds for one in facts]
    known = [seconds for seconds in told if seconds is not None]
    return known if len(known) == len(told) else [float(place) for place in range(len(told))]


class _Answers:
    """From a solved shoot, in the arrays' own yaw, to what each finished picture shows.

    Parameters
    ----------
    keys : sequence of FrameKey
        The frames, as the shoot numbers them.
    observed, job
        As `Stage.solve` is handed them.
    shoot : Shoot
        The solution.
    rooms : sequence of int
        Room of each frame.
    """

    def __init__(
        self,
        keys: Sequence[FrameKey],
        observed: Mapping[FrameKey, Observation[NorthSettings]],
        job: JobFacts,
        shoot: Shoot,
        rooms: Sequence[int],
    ) -> None:
        self.keys, self.observed, self.job, self.shoot, self.rooms = keys, observed, job, shoot, rooms
        self.metres = float(np.median([observed[key].settings.camera_height_m for key in keys]))
        self.anchor = [observed[key].facts.anchor_yaw_deg for key in keys]
        self.north, self.is_true = self._norths()
        self.turned = [self._turned(number) for number in range(len(keys))]

    def solutions(self) -> dict[FrameKey, Solution]:
        """One solution for each frame."""
        sights = self._sights()
        return {
            key: Solution(self._facing(number), stand=self._stand(number, sights[number]))
            for number, key in enumerate(self.keys)
        }

    def _file_heading(self, number: int) -> float:
        """Heading of the middle of the file in the plan as it was solved."""
        return float(self.shoot.plan.headings_deg[number]) - self.anchor[number]

    def _norths(self) -> tuple[list[float], list[bool]]:
        """For each part: what to add to its headings, and whether they are true then."""
        parts = int(self.shoot.plan.part.max(initial=-1)) + 1
        north, is_true = [], []
        for part in range(parts):
            members = np.flatnonzero(self.shoot.plan.part == part).tolist()
            told = [
                self.job.north[self.keys[i]] - self._file_heading(i)
                for i in members
                if self.keys[i] in self.job.north
            ]
            told = told or [
                heading - self._file_heading(i)
                for i in members
                if (heading := self.observed[self.keys[i]].facts.capture.heading_deg) is not None
            ]
            is_true.append(bool(told))
            north.append(_middle(told) if told else -self._walls(members))
        return north, is_true

    def _walls(self, members: Sequence[int]) -> float:
        """Heading of the walls in a part's plan: turned away, rooms stand upright on the page."""
        plan = self.shoot.plan
        seen = [self.observed[self.keys[i]].seen for i in members]
        clear = [
            plan.headings_deg[i] + one.heading_deg
            for i, one in zip(members, seen, strict=True)
            if one.walls > WALLS_CLEAR
        ]
        return float(np.degrees(np.angle(np.sum(np.exp(4j * np.radians(clear))))) / 4) if clear else 0.0

    def _heading(self, number: int) -> float:
        """Heading of the middle of the file in its part's plan, turned upright or to the north."""
        part = int(self.shoot.plan.part[number])
        return self._file_heading(number) + (self.north[part] if part >= 0 else 0.0)

    def _turned(self, number: int) -> float:
        placed = self.shoot.plan.part[number] >= 0
        wanted = self.observed[self.keys[number]].settings.facing == TOGETHER
        return -wrapped(self._heading(number)) if placed and wanted else 0.0

    def _facing(self, number: int) -> _Facing | None:
        heading = None
        if (own := self.job.north.get(self.keys[number])) is not None:
            heading = own
        elif self._is_told_by_hand(int(self.shoot.plan.part[number])):
            heading = round(self._heading(number) % 360, 2)
        turned = round(self.turned[number], 2)
        return _Facing(turned, heading) if turned or heading is not None else None

    def _is_told_by_hand(self, part: int) -> bool:
        """Whether the job file gives the heading of a frame of this part."""
        members = np.flatnonzero(self.shoot.plan.part == part).tolist() if part >= 0 else []
        return any(self.keys[number] in self.job.north for number in members)

    def _stand(self, number: int, sights: Sequence[Sightline]) -> Stand:
        part = int(self.shoot.plan.part[number])
        room = f"room-{self.rooms[number] + 1}"
        if part < 0:
            doubt = (
                "" if sights else "Where it stood could not be told: too little is shared with other frames."
            )
            return Stand(sights=tuple(sights), doubt=doubt, room=room)
        angle = math.radians(self.north[part])
        east, north = self.shoot.plan.at[number] * self.metres
        x = east * math.cos(angle) + north * math.sin(angle)
        y = north * math.cos(angle) - east * math.sin(angle)
        weak = [one for one in sights if one.certainty < UNSURE]
        doubt = f"The link to {weak[0].to} is weakly proven." if weak else ""
        if number not in self.shoot.measured:
            doubt = "How far it stood from other frames could not be told; the map assumes it."
        for first, second, why in self.shoot.doubts:
            if number in (first, second):
                doubt = why.format(other=self.keys[second if number == first else first])
        if not sights:
            doubt = doubt or "No other frame is certainly seen from here."
        return Stand(
            part,
            round(x, 3),
            round(y, 3),
            round((self._heading(number) + self.turned[number]) % 360, 2),
            self.is_true[part],
            tuple(sights),
            doubt,
            room,
        )

    def _sights(self) -> list[list[Sightline]]:
        """Frames that each one sees, with what the job file says."""
        found: list[dict[FrameKey, Sightline]] = [{} for _ in self.keys]
        for link in self.shoot.links:
            metres = round((link.distance or 0.0) * self.metres, 2)
            for own, other, yaw in (
                (link.first, link.second, link.yaw_deg),
                (link.second, link.first, link.back_yaw_deg),
            ):
                in_file = yaw + self.anchor[own]
                key = self.keys[other]
                found[own][key] = Sightline(key, self._shown(own, in_file), metres, link.certainty)
        for by_hand in self.job.links:
            self._correct(found, by_hand)
        return [sorted(one.values(), key=lambda sight: (sight.distance_m, sight.to)) for one in found]

    def _shown(self, number: int, in_file_deg: float) -> float:
        """Yaw in the finished picture."""
        return round(wrapped(in_file_deg - self.turned[number]), 2)

    def _correct(self, found: Sequence[dict[FrameKey, Sightline]], link: LinkByHand) -> None:
        numbers = {key: number for number, key in enumerate(self.keys)}
        if any(key not in numbers for key in link.frames):
            return
        ends = ((*link.frames, link.yaw_deg), (*link.frames[::-1], link.back_yaw_deg))
        for own, other, yaw in ends:
            i, j = numbers[own], numbers[other]
            before = found[i].pop(other, None)
            if not link.sees:
                continue
            told = yaw if yaw is not None else self._told(i, j, link, before)
            if told is not None:
                away = link.distance_m or (before.distance_m if before else self._apart(i, j))
                found[i][other] = Sightline(other, self._shown(i, told), round(away, 2), 1.0, by_hand=True)

    def _told(self, i: int, j: int, link: LinkByHand, before: Sightline | None) -> float | None:
        """Yaw in the file where it is not given: as it was found, or as the plan has it."""
        if before is not None:
            return before.yaw_deg + self.turned[i]
        plan = self.shoot.plan
        if plan.part[i] < 0 or plan.part[i] != plan.part[j]:
            return None
        turn, back, _ = plan.predicted(i, j)
        return wrapped(back - turn + 180 + self.anchor[i])

    def _apart(self, i: int, j: int) -> float:
        plan = self.shoot.plan
        same = plan.part[i] >= 0 and plan.part[i] == plan.part[j]
        return float(np.hypot(*(plan.at[i] - plan.at[j]))) * self.metres if same else 0.0


def _middle(angles_deg: Sequence[float]) -> float:
    return float(np.degrees(np.angle(np.mean(np.exp(1j * np.radians(angles_deg))))))
