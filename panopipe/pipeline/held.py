"""A frame held as each stage leaves it, so that after a change only the stages from there on work again.

For a picture in a moment, a stage that touches a small place (`SpanStage`) may be carried: what it made of
its place before stands in the new light, until it is asked to work again.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.frame import Band, Frame, FrameFacts, Rows
from panopipe.pipeline.engine import REDUCED_WIDTH, band_rows, reduce_rows
from panopipe.pipeline.frame_pipeline import FramePipeline, Neighbour, StageInputs
from panopipe.pipeline.steps import MiddleStep, SinkStep, StageTimer
from panopipe.stage import FrameReader, Output, Rights, Solution, SpanStage, StageContext

MOST_CARRIED = 0.25
"""Share of a frame that a stage may have changed for its work to be carried: more is no small place."""


class Superseded(Exception):  # noqa: N818 - says what happened
    """Another picture is wanted by now."""


@dataclass(frozen=True, slots=True)
class HeldStep:
    """A stage on its way through a held frame.

    Attributes
    ----------
    step : Step
        Stage and settings.
    mark : Hashable
        Equal marks mean that the stage does the very same: its settings, solution, pictures, neighbours.
    solution : Solution or None
        What the joint solution says for this frame.
    pictures : mapping of str to ndarray
        Pictures that the settings name.
    """

    step: MiddleStep
    mark: Hashable
    solution: Solution | None = None
    pictures: Mapping[str, Rows] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Shown:
    """A frame as its stages make it.

    Attributes
    ----------
    outputs : sequence of Output
        What the sink made.
    notes, review_reasons : mapping
        What each stage found out, and why a person should look, by stage.
    exact : bool
        Whether every stage worked; false if the work of one was carried.
    reduced : Frame
        The frame at reduced size as the last stage before the sink leaves it.
    """

    outputs: Sequence[Output]
    notes: Mapping[str, Mapping[str, float | str]]
    review_reasons: Mapping[str, tuple[str, ...]]
    exact: bool
    reduced: Frame


@dataclass(frozen=True, slots=True, eq=False)
class _State:
    """A frame after some stages."""

    rows: Rows
    reduced: Rows
    facts: FrameFacts
    notes: Mapping[str, float | str] = field(default_factory=dict)
    review_reasons: tuple[str, ...] = ()
    exact: bool = True
    memory: dict[str, dict[str, Any]] = field(default_factory=dict)
    """What the stage after it found out on it, by stage."""


@dataclass(slots=True, eq=False)
class _Work:
    """What a span stage made when it worked last: the frame before and after it."""

    mark: Hashable
    before: _State
    after: _State
    places: tuple[NDArray[np.bool_], NDArray[np.bool_]] | None = None


class HeldFrame:
    """A frame at a small width, and what its stages made of it last.

    Parameters
    ----------
    reader : FrameReader
        The frame; to the stages it is a frame like any. It is read once and not closed.
    reduced : ndarray, optional
        The frame at reduced size, when it is already at hand.
    in_other_light : HeldFrame, optional
        The same frame as its source gave it with other settings: what its stages made may be carried, too.
    """

    def __init__(
        self, reader: FrameReader, reduced: Rows | None = None, in_other_light: HeldFrame | None = None
    ) -> None:
        facts = reader.facts
        width = min(facts.width, REDUCED_WIDTH)
        if reduced is None or reduced.shape[1] != width:
            reduced = reader.reduced(width)
        self._source = _State(reader.read(0, facts.height), reduced, facts)
        self._states: list[tuple[Hashable, _State]] = []
        self._works: dict[str, _Work] = {}
        if in_other_light is not None and _is_laid_out_alike(facts, in_other_light.facts):
            self._works = dict(in_other_light._works)
        self._begin: tuple[Hashable, _State] | None = None

    @property
    def facts(self) -> FrameFacts:
        """Facts of the frame, as it comes from its source."""
        return self._source.facts

    def show(
        self,
        steps: Sequence[HeldStep],
        sink: SinkStep,
        neighbour: Neighbour,
        rights: Rights,
        *,
        quick: bool = False,
        is_wanted: Callable[[], bool] = lambda: True,
    ) -> Shown:
        """Take the frame through its stages, from the first that does something else than last time.

        Parameters
        ----------
        steps : sequence of HeldStep
            Stages that change light, in order.
        sink : Step
            The stage that makes files.
        neighbour : callable
            Brings rows of other frames.
        rights : Rights
            For the metadata.
        quick : bool
            Carry the work of stages that touch a small place.
        is_wanted : callable
            Asked before each stage whether to go on.

        Raises
        ------
        StageError
            If a stage raises or breaks the contract.
        Superseded
            If the picture is not wanted any longer.
        """
        marks: tuple[Hashable, ...] = tuple(held.mark for held in steps if _corrects(held))
        state = self._begun(steps, marks)
        notes, reasons = {}, {}
        for place, held in enumerate(steps):
            if not is_wanted():
                raise Superseded
            marks = (*marks, held.mark)
            state = self._at(place, marks, held, state, neighbour, quick=quick)
            notes[held.step.name], reasons[held.step.name] = state.notes, state.review_reasons
        if not is_wanted():
            raise Superseded
        reduced = Frame(state.reduced, state.facts)
        return Shown(
            poured(state.rows.copy(), reduced, sink, rights),
            {name: noted for name, noted in notes.items() if noted},
            {name: given for name, given in reasons.items() if given},
            state.exact,
            reduced,
        )

    def _begun(self, steps: Sequence[HeldStep], marks: Hashable) -> _State:
        """The frame as it comes from its source, with the correction that awaits it."""
        if self._begin is None or self._begin[0] != marks:
            state = self._source
            for solution in (held.solution for held in steps):
                if solution is not None and solution.correction is not None:
                    facts = replace(state.facts, correction=solution.correction, light=solution.light)
                    state = replace(state, facts=facts, memory={})
            self._begin = (marks, state)
        return self._begin[1]

    def _at(
        self,
        place: int,
        marks: tuple[Hashable, ...],
        held: HeldStep,
        before: _State,
        neighbour: Neighbour,
        *,
        quick: bool,
    ) -> _State:
        """The frame after the stage at a place: as it was held, or made now."""
        if place < len(self._states):
            known, state = self._states[place]
            if known == marks and (state.exact or (quick and not before.exact)):
                return state
        state = self._made(held, before, neighbour, quick=quick)
        self._states[place:] = [(marks, state)]
        return state

    def _made(self, held: HeldStep, before: _State, neighbour: Neighbour, *, quick: bool) -> _State:
        name = held.step.name
        if not isinstance(held.step.stage, SpanStage):
            return _worked(held, before, neighbour)
        work = self._works.get(name)
        if quick and work is not None and work.mark == held.mark:
            carried = _carried(work, before)
            if carried is not None:
                return carried
        state = _worked(held, before, neighbour)
        if state.exact:
            self._works[name] = _Work(held.mark, before, state)
        return state


def _is_laid_out_alike(one: FrameFacts, other: FrameFacts) -> bool:
    """Whether a pixel of one frame shows the same place in the other."""
    layouts = [(facts.width, facts.height, facts.anchor_column) for facts in (one, other)]
    return layouts[0] == layouts[1]


def _corrects(held: HeldStep) -> bool:
    """Whether a stage's solution tells all stages of a correction."""
    return held.solution is not None and held.solution.correction is not None


class _HeldRows(FrameReader):
    """Rows of a held frame as a stage takes them."""

    def __init__(self, state: _State) -> None:
        self.facts, self.notes, self._rows = state.facts, {}, state.rows

    def reduced(self, width: int) -> Rows:
        return reduce_rows(self._rows, width)

    def read(self, first: int, last: int) -> Rows:
        return self._rows[first:last].copy()

    def close(self) -> None:
        pass


def _worked(held: HeldStep, before: _State, neighbour: Neighbour) -> _State:
    """The frame after a stage worked on it."""
    name = held.step.name
    given = {} if held.solution is None else {name: replace(held.solution, correction=None, light=None)}
    pipeline = FramePipeline(
        _HeldRows(before),
        [held.step],
        StageInputs(given, {name: held.pictures}, neighbour, {name: _memory(before, held)}),
        before.reduced,
        StageTimer(),
        source="source",
        band_rows=band_rows(before.facts.width),
    )
    pipeline.prepare(1)
    rows = pipeline.whole() if pipeline.works else before.rows
    notes, reasons = pipeline.notes.get(name, {}), pipeline.review_reasons.get(name, ())
    return _State(rows, pipeline.reduced, pipeline.facts, notes, reasons, before.exact)


def _memory(before: _State, held: HeldStep) -> dict[str, Any]:
    """What a stage found out on a frame as it comes to it."""
    return before.memory.setdefault(held.step.name, {})


def _carried(work: _Work, before: _State) -> _State | None:
    """The frame with what a stage made of its place before; None if that was no small place."""
    if work.after.facts is not work.before.facts:
        return None
    if work.places is None:
        pairs = ((work.before.rows, work.after.rows), (work.before.reduced, work.after.reduced))
        work.places = (_changed(*pairs[0]), _changed(*pairs[1]))
    if work.places[0].mean() > MOST_CARRIED:
        return None
    rows, reduced = (
        _laid(new, old, made, place)
        for new, old, made, place in (
            (before.rows, work.before.rows, work.after.rows, work.places[0]),
            (before.reduced, work.before.reduced, work.after.reduced, work.places[1]),
        )
    )
    return replace(work.after, rows=rows, reduced=reduced, facts=before.facts, exact=False, memory={})


def _changed(before: Rows, after: Rows) -> NDArray[np.bool_]:
    if before is after:
        return np.zeros(before.shape[:2], bool)
    planes = before != after
    changed: NDArray[np.bool_] = planes[..., 0] | planes[..., 1] | planes[..., 2]
    return changed


def _laid(new: Rows, old: Rows, made: Rows, place: NDArray[np.bool_]) -> Rows:
    """Put what was made of a place into new light, scaled as the rows around it were, plane by plane."""
    touched = np.flatnonzero(place.any(axis=1))
    if not len(touched):
        return new
    rows = slice(int(touched[0]), int(touched[-1]) + 1)
    around = (~place[rows]).astype(np.uint8)
    was, now = (np.array(cv2.mean(light[rows], mask=around)[:3]) for light in (old, new))
    gain = np.divide(now, was, out=np.ones(3), where=was > 0).astype(np.float32)
    laid = new.copy()
    laid[rows][place[rows]] = made[rows][place[rows]] * gain
    return laid


def poured(rows: Rows, reduced: Frame, sink: SinkStep, rights: Rights) -> Sequence[Output]:
    """What the sink makes of a whole frame in memory, which it may write to.

    Raises
    ------
    StageError
        If it fails.
    """
    with StageTimer().on(sink.name):
        pouring = sink.stage.start(StageContext(reduced), sink.settings, rights)
        pouring.take(Band(rows, 0, reduced.facts))
        return tuple(pouring.finish())
