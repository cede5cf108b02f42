"""What a stage made of a small place, and the same place in another light."""

from __future__ import annotations

from collections import deque
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from panopipe.frame import Band, FrameFacts, Rows
from panopipe.pipeline.steps import MiddleStep, Step
from panopipe.sphere.geometry import pixel_solid_angle
from panopipe.sphere.reduce import AreaReducer, covering_rows
from panopipe.stage import Applied, Prepared, SpanStage, StageContext

MOST_CARRIED = 0.25
"""Share of a frame that a stage may have changed for its work to be carried: more is no small place."""
_MOST_KEPT = 6
"""Works at full size that are kept of a frame: of what files say, and of what was tried last."""
_MOST_RESIDUES = 2
"""Of what files say, and of what was tried last: seven megabytes each at 1,536 wide."""


@dataclass(frozen=True, slots=True, eq=False)
class Inlay:
    """Rows in and around which something was changed, before and after, and which pixels were."""

    first: int
    before: Rows
    after: Rows
    place: NDArray[np.bool_]

    @classmethod
    def between(cls, before: Rows, after: Rows, first: int = 0) -> Inlay:
        """What differs between rows from `first` on, as they were and as they are, and as much around it."""
        if before is after:
            before = after = before[:0]
        place = changed(before, after)
        touched = np.flatnonzero(place.any(axis=1))
        top, bottom = (int(touched[0]), int(touched[-1]) + 1) if len(touched) else (0, 0)
        top, bottom = max(0, 2 * top - bottom), min(len(place), 2 * bottom - top)
        return cls(first + top, before[top:bottom].copy(), after[top:bottom].copy(), place[top:bottom].copy())

    def laid(self, rows: Rows) -> Rows:
        """Put what was made into a frame in new light, scaled as light of its level was around it."""
        if not self.place.any():
            return rows
        span = slice(self.first, self.first + len(self.place))
        laid = rows.copy()
        made, around = self.after[self.place], ~self.place
        weights = np.broadcast_to(pixel_solid_angle(len(rows))[span, None], around.shape)[around]
        laid[span][self.place] = made * _gains(self.before[around], rows[span][around], weights, made)
        return laid


def changed(before: Rows, after: Rows) -> NDArray[np.bool_]:
    """Which pixels differ."""
    planes = before != after
    place: NDArray[np.bool_] = planes[..., 0] | planes[..., 1] | planes[..., 2]
    return place


_DARKEST, _BRIGHTEST, _PER_STOP = -24, 6, 2
"""Stops from white within which light of each half stop has a gain of its own."""
_LEAST_SHARE = 1e-3
"""Share of the rows that has light of a level, for the level to count."""


def _gains(was: Rows, now: Rows, weights: NDArray[np.float64], of: Rows) -> Rows:
    """By what light changed that is as bright as `of`, plane by plane: light `was`, and is `now`."""
    level, count = _level(was), (_BRIGHTEST - _DARKEST) * _PER_STOP + 1
    place = np.rint(level * _PER_STOP).astype(np.intp) - _DARKEST * _PER_STOP

    shares = np.bincount(place, weights, count)
    there = shares > _LEAST_SHARE * shares.sum()

    def sums(values: NDArray[Any]) -> NDArray[np.float64]:
        return np.asarray(np.bincount(place, weights * values, count)[there])

    gains, at, levels = np.ones_like(of), _level(of), sums(level) / shares[there]
    for plane in range(3 if len(levels) else 0):
        before, after = sums(was[:, plane]), sums(now[:, plane])
        gain = np.divide(after, before, out=np.ones_like(before), where=before > 0)
        gains[:, plane] = np.interp(at, levels, np.maximum(gain, 0))
    return gains


def _level(light: Rows) -> NDArray[np.float32]:
    """Mean of the planes in stops from white."""
    level: NDArray[np.float32] = np.log2(np.clip(light.mean(axis=-1), 2.0**_DARKEST, 2.0**_BRIGHTEST))
    return level


@dataclass(frozen=True, slots=True, eq=False)
class Work:
    """What a stage made of a small place.

    Attributes
    ----------
    marks : tuple of Hashable
        What the stages before it did, and last, what it did.
    layout : tuple of int
        Width, height and anchor column: a pixel of a frame laid out alike shows the same place.
    rows, reduced : Inlay
        The frame, and the frame at reduced size.
    notes, review_reasons : mapping of str, tuple of str
        What the stage found out.
    """

    marks: tuple[Hashable, ...]
    layout: tuple[int, int, int]
    rows: Inlay
    reduced: Inlay
    notes: Mapping[str, float | str]
    review_reasons: tuple[str, ...]

    def serves(self, mark: Hashable, facts: FrameFacts) -> bool:
        """Whether it can be carried to where a stage does the same on a frame laid out alike."""
        width, height, _ = self.layout
        is_small = int(np.count_nonzero(self.rows.place)) <= MOST_CARRIED * width * height
        return is_small and self.marks[-1] == mark and self.layout == layout_of(facts)


def layout_of(facts: FrameFacts) -> tuple[int, int, int]:
    """Width, height and anchor column."""
    return facts.width, facts.height, facts.anchor_column


@dataclass(frozen=True, slots=True, eq=False)
class Residue:
    """What a small picture lacks of the same work at full size: a curve and an average do not commute.

    Attributes
    ----------
    marks : tuple of Hashable
        What all stages did.
    after : str
        The stage behind which it is made good: the last that moved the whole frame, else the last before the
        first that works on a place.
    moved : mapping of str to Hashable
        What the stages did that moved the whole frame.
    layout : tuple of int
        As of `Work`.
    gain : ndarray of shape (h, 2 h, 3), dtype float16
        What light is to be multiplied by.
    """

    marks: tuple[Hashable, ...]
    after: str
    moved: Mapping[str, Hashable]
    layout: tuple[int, int, int]
    gain: NDArray[np.float16]

    def made_good(self, rows: Rows) -> Rows:
        """Rows with it."""
        return np.multiply(rows, self.gain, dtype=np.float32)


def gain_between(small: Rows, full: Rows) -> NDArray[np.float16]:
    """What light of a small picture is to be multiplied by; up to a stop, more is no matter of averages."""
    is_light = (small > _LEAST_LIGHT) & (full > _LEAST_LIGHT)
    gain = np.divide(full, small, out=np.ones_like(small), where=is_light)
    return np.clip(gain, 0.5, 2.0).astype(np.float16)


_LEAST_LIGHT = 2.0**-12
"""A code of 255 is more."""


class WorksAtFullSize:
    """What a frame's stages made at full size, reduced. Threads may share it."""

    def __init__(self) -> None:
        self._works: deque[Work] = deque(maxlen=_MOST_KEPT)
        self._residues: deque[Residue] = deque(maxlen=_MOST_RESIDUES)

    def without_residues(self) -> WorksAtFullSize:
        """The same places."""
        works = WorksAtFullSize()
        works._works = self._works
        return works

    def take_residue(self, residue: Residue) -> None:
        """Keep what small pictures lack, the newest."""
        others = (other for other in self._residues if other.marks != residue.marks)
        self._residues = deque((*others, residue), _MOST_RESIDUES)

    def residue(
        self, marks: tuple[Hashable, ...], by_stage: Mapping[str, Hashable], facts: FrameFacts
    ) -> Residue | None:
        """That of the very same work; else the newest of which the whole frame was moved alike."""
        fit = [
            one
            for one in reversed(self._residues)
            if one.layout == layout_of(facts)
            and one.after in by_stage
            and all(by_stage.get(name) == mark for name, mark in one.moved.items())
        ]
        same = (one for one in fit if one.marks == marks)
        return next(same, fit[0] if fit else None)

    def take(self, work: Work) -> None:
        """Keep a work, the newest."""
        self._works = deque(
            (*(other for other in self._works if other.marks != work.marks), work), _MOST_KEPT
        )

    def find(self, marks: tuple[Hashable, ...], facts: FrameFacts) -> Work | None:
        """The very same work; else the last of the stage that did the same in other light."""
        works = [work for work in reversed(self._works) if work.serves(marks[-1], facts)]
        same = (work for work in works if work.marks == marks)
        return next(same, works[0] if works else None)


@dataclass(eq=False)
class Watched(SpanStage[Any, Any]):
    """A span stage that works as it does anywhere, while what it makes is kept at smaller sizes.

    Attributes
    ----------
    stage : SpanStage
        The stage.
    sizes : tuple of (int, float)
        Widths to keep, and the columns at which they begin.
    made : tuple of Inlay
        By size, what the stage made; empty where it did nothing, or changed the frame's facts.
    """

    stage: SpanStage[Any, Any]
    sizes: tuple[tuple[int, float], ...]
    made: tuple[Inlay, ...] = ()
    _leaves_facts: bool = field(default=False, init=False)

    def __post_init__(self) -> None:
        for own in ("name", "version", "summary", "Settings", "notes"):
            setattr(self, own, getattr(self.stage, own))

    def span(self, facts: FrameFacts, settings: Any) -> tuple[int, int]:
        """Rows that the stage asks for."""
        return self.stage.span(facts, settings)

    def prepare(self, context: StageContext, settings: Any) -> Prepared[Any]:
        """What the stage prepares."""
        prepared = self.stage.prepare(context, settings)
        self._leaves_facts = prepared.facts is None
        return prepared

    def apply(self, band: Band, settings: Any, prepared: Any) -> Applied:
        """What the stage makes."""
        if not self._leaves_facts:
            return self.stage.apply(band, settings, prepared)
        before = [_reduced(band.rows, band, *size) for size in self.sizes]
        applied = self.stage.apply(band, settings, prepared)
        self.made = tuple(
            Inlay.between(rows, _reduced(applied.rows, band, *size)[0], first)
            for size, (rows, first) in zip(self.sizes, before, strict=True)
        )
        return applied


def watched(steps: Sequence[MiddleStep], *sizes: tuple[int, float]) -> tuple[MiddleStep, ...]:
    """Steps whose span stages are watched."""
    return tuple(
        Step(Watched(step.stage, sizes), step.settings) if isinstance(step.stage, SpanStage) else step
        for step in steps
    )


def _reduced(rows: Rows, band: Band, width: int, start: float) -> tuple[Rows, int]:
    """Rows of the smaller frame that lie wholly within a band, and which the first of them is."""
    full_width, height, out_height = band.rows.shape[1], band.facts.height, width // 2
    first, last = -(-band.first * out_height // height), (band.first + len(rows)) * out_height // height
    top, bottom = covering_rows(first, last, height, out_height)
    reducer = AreaReducer(full_width, height, width, start, (first, last))
    reducer.take(rows[top - band.first : bottom - band.first], top)
    return reducer.result(), first
