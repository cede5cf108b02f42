"""A frame held as each stage leaves it, so that after a change only the stages from there on work again.

For a picture in a moment, a stage that touches a small place (`SpanStage`) may be carried: what it made of
its place before stands in the new light, until it is asked to work again. Where it has worked at full size,
what it made there is carried always: no work at a small width comes as near to what a run makes.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from panopipe.frame import Band, Frame, FrameFacts, Rows
from panopipe.pipeline.carried import (
    MOST_CARRIED,
    Inlay,
    Residue,
    Work,
    WorksAtFullSize,
    changed,
    gain_between,
    layout_of,
)
from panopipe.pipeline.engine import REDUCED_WIDTH, band_rows, reduce_rows
from panopipe.pipeline.frame_pipeline import FramePipeline, Neighbour, StageInputs
from panopipe.pipeline.steps import MiddleStep, SinkStep, StageTimer
from panopipe.stage import FrameReader, Output, Rights, Solution, SpanStage, StageContext


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
        Whether no truer picture is made at this width; false if the work of a stage was carried that did not
        work at full size.
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
    at_full_size: Work | None = None
    """The stage's work that was carried here."""
    residue: Residue | None = None
    """What was made good here."""
    memory: dict[str, dict[str, Any]] = field(default_factory=dict)
    """What the stage after it found out on it, by stage."""


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
    at_full_size : WorksAtFullSize, optional
        What its stages made at full size.
    """

    def __init__(
        self,
        reader: FrameReader,
        reduced: Rows | None = None,
        in_other_light: HeldFrame | None = None,
        at_full_size: WorksAtFullSize | None = None,
    ) -> None:
        facts = reader.facts
        width = min(facts.width, REDUCED_WIDTH)
        if reduced is None or reduced.shape[1] != width:
            reduced = reader.reduced(width)
        self._source = _State(reader.read(0, facts.height), reduced, facts)
        self._states: list[tuple[Hashable, _State]] = []
        self._works: dict[str, Work] = {} if in_other_light is None else dict(in_other_light._works)
        self._at_full_size = at_full_size or WorksAtFullSize()
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
        state, notes, reasons = self._through(steps, neighbour, quick=quick, is_wanted=is_wanted)
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

    def _through(
        self,
        steps: Sequence[HeldStep],
        neighbour: Neighbour,
        *,
        quick: bool = False,
        is_wanted: Callable[[], bool] = lambda: True,
    ) -> tuple[_State, dict[str, Mapping[str, float | str]], dict[str, tuple[str, ...]]]:
        """The frame after all stages, and by stage what each found out."""
        state = self._begun(steps, marks_before(steps))
        by_stage = {held.step.name: held.mark for held in steps}
        residue = self._at_full_size.residue(all_marks(steps), by_stage, self.facts)
        notes, reasons = {}, {}
        for place, held in enumerate(steps):
            if not is_wanted():
                raise Superseded
            lacks = residue if residue is not None and residue.after == held.step.name else None
            state = self._at(place, all_marks(steps, place + 1), held, state, neighbour, lacks, quick=quick)
            notes[held.step.name], reasons[held.step.name] = state.notes, state.review_reasons
        return state, notes, reasons

    def residue(self, steps: Sequence[HeldStep], neighbour: Neighbour, full: Rows) -> Residue | None:
        """What the picture lacks of the same at full size.

        Parameters
        ----------
        steps : sequence of HeldStep
            Stages that change light, in order.
        neighbour : callable
            Brings rows of other frames.
        full : ndarray
            What they made at full size, reduced to this width, anchor column first.

        Returns
        -------
        Residue or None
            None where no stage stands behind which it could be made good.
        """
        self._through(steps, neighbour)
        states = [self._begin[1] if self._begin else self._source, *(state for _, state in self._states)]
        spans = [place for place, held in enumerate(steps) if isinstance(held.step.stage, SpanStage)]
        moved = [place for place in spans if not _is_of_a_place(states[place], states[place + 1])]
        after = moved[-1] if moved else (spans[0] if spans else len(steps)) - 1
        if after < 0:
            return None
        gain = gain_between(states[-1].rows, full)
        for place in spans:
            if place > after:
                gain[changed(states[place].rows, states[place + 1].rows)] = 1
        return Residue(
            all_marks(steps),
            steps[after].step.name,
            {steps[place].step.name: steps[place].mark for place in moved},
            layout_of(self.facts),
            gain,
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
        lacks: Residue | None,
        *,
        quick: bool,
    ) -> _State:
        """The frame after the stage at a place: as it was held, or made now."""
        work = self._at_full_size.find(marks, before.facts)
        if place < len(self._states):
            known, state = self._states[place]
            is_true = state.exact or (quick and not before.exact)
            if known == marks and is_true and state.at_full_size is work and state.residue is lacks:
                return state
        state = _carried(work, before) if work else self._made(marks, held, before, neighbour, quick=quick)
        if lacks is not None:
            state = replace(state, rows=lacks.made_good(state.rows), residue=lacks)
        self._states[place:] = [(marks, state)]
        return state

    def _made(
        self,
        marks: tuple[Hashable, ...],
        held: HeldStep,
        before: _State,
        neighbour: Neighbour,
        *,
        quick: bool,
    ) -> _State:
        name = held.step.name
        work = self._works.get(name)
        if quick and work is not None and work.serves(held.mark, before.facts):
            return replace(_carried(work, before), exact=False, at_full_size=None)
        state = _worked(held, before, neighbour)
        if isinstance(held.step.stage, SpanStage) and state.exact and state.facts is before.facts:
            self._works[name] = Work(
                marks,
                layout_of(before.facts),
                Inlay.between(before.rows, state.rows),
                Inlay.between(before.reduced, state.reduced),
                state.notes,
                state.review_reasons,
            )
        return state


def all_marks(steps: Sequence[HeldStep], upto: int | None = None) -> tuple[Hashable, ...]:
    """What the first stages do, or all of them: equal where the frame after them is."""
    return (*marks_before(steps), *(held.mark for held in steps[:upto]))


def marks_before(steps: Sequence[HeldStep]) -> tuple[Hashable, ...]:
    """What stages tell all stages before any of them works: those whose solution corrects the light."""
    return tuple(
        held.mark for held in steps if held.solution is not None and held.solution.correction is not None
    )


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


def _is_of_a_place(before: _State, after: _State) -> bool:
    """Whether a stage left most of the frame where it was."""
    return after.facts is before.facts and (
        before.rows is after.rows or changed(before.rows, after.rows).mean() <= MOST_CARRIED
    )


def _carried(work: Work, before: _State) -> _State:
    """The frame with what a stage made of its place before."""
    return replace(
        before,
        rows=work.rows.laid(before.rows),
        reduced=work.reduced.laid(before.reduced),
        notes=work.notes,
        review_reasons=work.review_reasons,
        at_full_size=work,
        residue=None,
        memory={},
    )


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
