"""The way of one frame's rows through its stages: what is prepared, what is held, what streams by."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import pairwise
from typing import Any

import numpy as np

from panopipe.errors import StageError
from panopipe.frame import Band, Frame, FrameFacts, FrameKey, Notes, Rows
from panopipe.pipeline.margin import MarginWindow, with_margin
from panopipe.pipeline.steps import (
    AnyStep,
    MiddleStep,
    StageTimer,
    checked_reasons,
    checked_rows,
    declared_notes,
    is_finite,
    shaped_rows,
)
from panopipe.sphere.reduce import AreaReducer, covering_rows, reduced_rows
from panopipe.stage import (
    FrameReader,
    MarginStage,
    Prepared,
    Solution,
    SpanStage,
    StageContext,
)

Neighbour = Callable[[FrameKey, str, int, int], Band | None]
"""Gives rows of another frame as they stand before the named stage; None if they cannot be had."""

Windows = dict[int, MarginWindow]
"""What the stages with a margin hold in one pass over the rows, by their place among the steps."""

Check = Callable[[str, object, Sequence[int]], Rows]
"""How what a stage gave is looked at: `checked_rows` or `shaped_rows`."""


@dataclass(frozen=True, slots=True)
class StageInputs:
    """What a frame's stages are given besides its light.

    Attributes
    ----------
    solutions : mapping of str to Solution
        By stage, what the joint solution says for this frame.
    pictures : mapping of str to mapping of str to ndarray
        By stage, then by setting: pictures that the settings name, float32 (height, width, 4).
    neighbour : callable
        Brings rows of other frames.
    memory : mapping of str to dict
        By stage, what it found out on this frame before.
    """

    solutions: Mapping[str, Solution] = field(default_factory=dict)
    pictures: Mapping[str, Mapping[str, Rows]] = field(default_factory=dict)
    neighbour: Neighbour = lambda *_: None
    memory: Mapping[str, dict[str, Any]] = field(default_factory=dict)


@dataclass(slots=True)
class _PreparedStep:
    """A step that is prepared: its data (None: nothing to do), and the rows a span stage holds."""

    step: MiddleStep
    facts: FrameFacts
    data: Any
    first: int = 0
    held: Rows | None = None

    @property
    def streams(self) -> bool:
        return self.data is not None and self.held is None

    @property
    def last(self) -> int:
        return self.first + (0 if self.held is None else len(self.held))

    def holds(self, first: int, last: int) -> bool:
        return self.first <= first and last <= self.last


class FramePipeline:
    """One frame on its way through the stages that change light.

    Parameters
    ----------
    reader : FrameReader
        The frame, open.
    steps : sequence of Step
        Row, margin and span stages, in order.
    inputs : StageInputs
        Solutions, pictures, neighbours.
    reduced : ndarray of shape (h, 2 h, 3), dtype float32
        The frame at reduced size as the source gives it.
    timer : StageTimer
        Counts seconds.
    source : str
        Name of the source stage, for seconds and errors.
    band_rows : int
        Rows to stream at a time.
    """

    def __init__(
        self,
        reader: FrameReader,
        steps: Sequence[MiddleStep],
        inputs: StageInputs,
        reduced: Rows,
        timer: StageTimer,
        *,
        source: str,
        band_rows: int,
    ) -> None:
        self.facts = _with_correction(reader.facts, inputs.solutions)
        self.reduced = reduced
        self.notes: dict[str, dict[str, float | str]] = {}
        self.review_reasons: dict[str, tuple[str, ...]] = {}
        self._reader, self._steps, self._inputs, self._timer = reader, steps, inputs, timer
        self._source, self._band_rows = source, band_rows
        self._prepared: list[_PreparedStep] = []

    def context(self, step: AnyStep, neighbours: Mapping[FrameKey, Band] | None = None) -> StageContext:
        """What a stage may look at, the stages before it being ready."""
        solution = self._inputs.solutions.get(step.name)
        return StageContext(
            Frame(self.reduced, self.facts),
            solution.data if solution else None,
            self._inputs.pictures.get(step.name, {}),
            {} if neighbours is None else neighbours,  # to ask whether there are any would bring them
            self._inputs.memory.get(step.name, {}),
        )

    @property
    def works(self) -> bool:
        """Whether any stage that is prepared has something to do on this frame."""
        return any(ready.data is not None for ready in self._prepared)

    def prepare(self, upto: int) -> None:
        """Prepare the first `upto` stages, in order, and let the span stages among them work."""
        for step in self._steps[len(self._prepared) : upto]:
            if isinstance(step.stage, SpanStage):
                self._prepare_span(step, step.stage)
            else:
                self._prepare_rows(step)

    def bands(self, upto: int, first: int, last: int) -> Iterator[Band]:
        """Rows `first` to `last` as the first `upto` stages leave them, in bands from the top."""
        windows = self._windows(upto, last, shaped_rows)
        for top, bottom in self._cuts(upto, first, last):
            yield self._band(upto, top, bottom, windows)

    def whole(self) -> Rows:
        """The same rows, all at once: each stage is handed the whole frame. For tests and plugins' tests."""
        rows = self._read(0, self._reader.facts.height)
        for ready in self._prepared:
            if ready.held is not None:
                rows[ready.first : ready.last] = ready.held
            elif ready.data is not None:
                rows = self._apply_to_whole(ready, rows)
        return rows

    def _prepare_rows(self, step: MiddleStep) -> None:
        prepared = self._preparation(step, self.context(step))
        ready = _PreparedStep(step, self.facts, prepared.data)
        if prepared.data is not None:
            self.reduced = self._apply_to_whole(ready, self.reduced.copy())
        self._end(ready, prepared)

    def _prepare_span(self, step: MiddleStep, stage: SpanStage[Any, Any]) -> None:
        height = self.facts.height
        with self._timer.on(step.name):
            first, last = stage.span(self.facts, step.settings)
            if not 0 <= first <= last <= height:
                raise ValueError(f"asked for rows {first} to {last} of {height}")
        wanted = self._neighbours(step, first, last) if first < last else None
        prepared = self._preparation(step, self.context(step, wanted))
        ready = _PreparedStep(step, self.facts, prepared.data if first < last else None, first)
        if ready.data is not None:
            out_height = len(self.reduced)
            out_first, out_last = reduced_rows(first, last, height, out_height)
            top, bottom = covering_rows(out_first, out_last, height, out_height)
            rows = np.empty((bottom - top, self.facts.width, 3), np.float32)
            for band in self.bands(len(self._prepared), top, bottom):
                rows[band.first - top : band.last - top] = band.rows
            span = rows[first - top : last - top]
            with self._timer.on(step.name):
                applied = stage.apply(Band(span, first, self.facts), step.settings, prepared.data)
            shape = (last - first, self.facts.width, 3)
            ready.held = checked_rows(step.name, applied.rows, shape)
            if ready.held is not span:
                span[:] = ready.held
            reducer = AreaReducer(
                self.facts.width, height, self.reduced.shape[1], out_rows=(out_first, out_last)
            )
            reducer.take(rows, top)
            self.reduced = self.reduced.copy()
            self.reduced[out_first:out_last] = reducer.result()
            self.note(step, applied.notes, applied.review_reasons)
        self._end(ready, prepared)

    def _neighbours(self, step: MiddleStep, first: int, last: int) -> Mapping[FrameKey, Band]:
        solution = self._inputs.solutions.get(step.name)
        keys = solution.neighbours if solution else ()
        return _Lent(keys, lambda key: self._inputs.neighbour(key, step.name, first, last))

    def _preparation(self, step: MiddleStep, context: StageContext) -> Prepared[Any]:
        with self._timer.on(step.name):
            prepared = step.stage.prepare(context, step.settings)
            if not isinstance(prepared, Prepared):
                raise TypeError(f"prepare gave {type(prepared).__name__}, not Prepared")
        return prepared

    def _end(self, ready: _PreparedStep, prepared: Prepared[Any]) -> None:
        name = ready.step.name
        solution = self._inputs.solutions.get(name)
        self.note(
            ready.step, {**(solution.notes if solution else {}), **prepared.notes}, prepared.review_reasons
        )
        if prepared.facts is not None:
            self.facts = _changed(name, self.facts, prepared.facts)
        self._prepared.append(ready)

    def note(self, step: AnyStep, notes: Notes, review_reasons: Sequence[str] = ()) -> None:
        """Keep what a stage found out.

        Raises
        ------
        StageError
            If the stage did not declare a note, or one is neither number nor text.
        """
        if notes:
            self.notes.setdefault(step.name, {}).update(declared_notes(step, notes))
        if review_reasons:
            reasons = checked_reasons(step, review_reasons)
            self.review_reasons[step.name] = (*self.review_reasons.get(step.name, ()), *reasons)

    def _cuts(self, upto: int, first: int, last: int) -> Iterator[tuple[int, int]]:
        """Bands that lie wholly in or wholly out of each held span."""
        edges = {first, last}
        for ready in self._prepared[:upto]:
            if ready.held is not None:
                edges |= {edge for edge in (ready.first, ready.last) if first < edge < last}
        bounds = sorted(edges)
        for start, end in pairwise(bounds):
            for top in range(start, end, self._band_rows):
                yield top, min(top + self._band_rows, end)

    def _windows(self, upto: int, last: int, check: Check) -> Windows:
        """What the stages with a margin among the first `upto` need for a pass that ends at `last`."""
        windows: Windows = {}
        for index in reversed(range(upto)):
            ready = self._prepared[index]
            stage = ready.step.stage
            if not ready.streams or not isinstance(stage, MarginStage):
                continue
            windows[index] = MarginWindow(
                (self.facts.height, self.facts.width),
                self._margin(ready, stage, self.facts.height),
                last,
                self._band_rows,
                partial(self._fill, index, check, windows),
                partial(self._make, ready, stage, check),
            )
            last = min(last + windows[index].margin, self.facts.height)
        return windows

    def _fill(self, upto: int, check: Check, windows: Windows, first: int, rows: Rows) -> None:
        """Fill in rows from `first` on as the first `upto` stages leave them, band by band."""
        for top, bottom in self._cuts(upto, first, first + len(rows)):
            band = rows[top - first : bottom - first]
            made = self._streamed(upto, top, bottom, check, windows, band)
            if made is not band:
                band[:] = made

    def _band(self, upto: int, first: int, last: int, windows: Windows) -> Band:
        rows = self._streamed(upto, first, last, shaped_rows, windows)
        if not is_finite(rows):  # no later stage makes a number of it: asking at the end alone costs least
            rows = self._streamed(upto, first, last, checked_rows, self._windows(upto, last, checked_rows))
        facts = self._prepared[upto].facts if upto < len(self._prepared) else self.facts
        return Band(rows, first, facts)

    def _streamed(
        self, upto: int, first: int, last: int, check: Check, windows: Windows, into: Rows | None = None
    ) -> Rows:
        start, rows = self._newest(upto, first, last, check, windows, into)
        for ready in self._prepared[start:upto]:
            if ready.streams:
                rows = self._apply(ready, Band(rows, first, ready.facts), check)
        return rows

    def _newest(
        self, upto: int, first: int, last: int, check: Check, windows: Windows, into: Rows | None
    ) -> tuple[int, Rows]:
        """Rows to go on from: of the last span or margin stage, or the source's, `into` if it can."""
        for index in range(upto - 1, -1, -1):
            ready = self._prepared[index]
            if ready.held is not None and ready.holds(first, last):
                return index + 1, ready.held[first - ready.first : last - ready.first].copy()
            if index in windows:
                return index + 1, windows[index].rows(first, last, into)
        return 0, self._read(first, last, check, into)

    def _read(self, first: int, last: int, check: Check = checked_rows, into: Rows | None = None) -> Rows:
        with self._timer.on(self._source):
            rows = self._reader.read(first, last) if into is None else self._reader.read_into(first, into)
        return check(self._source, rows, (last - first, self._reader.facts.width, 3))

    def _apply(self, ready: _PreparedStep, band: Band, check: Check = checked_rows) -> Rows:
        stage, shape = ready.step.stage, (band.last - band.first, *band.rows.shape[1:])
        if isinstance(stage, SpanStage):
            raise TypeError(f"stage {ready.step.name} works on its span, not on bands")
        with self._timer.on(ready.step.name):
            rows = stage.apply(band, ready.step.settings, ready.data)
        return check(ready.step.name, rows, shape)

    def _apply_to_whole(self, ready: _PreparedStep, rows: Rows) -> Rows:
        """Apply a stage that streams to a whole frame, the full or the reduced one."""
        stage = ready.step.stage
        if not isinstance(stage, MarginStage):
            return self._apply(ready, Band(rows, 0, ready.facts))
        margin = self._margin(ready, stage, len(rows))
        return self._make(ready, stage, checked_rows, with_margin(rows, margin), 0)

    def _make(
        self, ready: _PreparedStep, stage: MarginStage[Any, Any], check: Check, rows: Rows, first: int
    ) -> Rows:
        """Apply a stage with a margin to rows that have theirs around them, as many on each side."""
        margin = self._margin(ready, stage, rows.shape[1] // 2)
        return self._apply(ready, Band(rows, first, ready.facts, margin), check)

    def _margin(self, ready: _PreparedStep, stage: MarginStage[Any, Any], height: int) -> int:
        with self._timer.on(ready.step.name):
            margin = stage.margin_rows(height, ready.step.settings)
            if not 0 <= margin <= height:
                raise ValueError(f"asked for a margin of {margin} rows in a frame of {height}")
        return margin


class _Lent(Mapping[FrameKey, Band]):
    """Rows of other frames, brought when they are asked for; a frame that cannot be had is missing."""

    def __init__(self, keys: Sequence[FrameKey], bring: Callable[[FrameKey], Band | None]) -> None:
        self._keys, self._bring = keys, bring
        self._brought: dict[FrameKey, Band | None] = {}

    def __getitem__(self, key: FrameKey) -> Band:
        if key in self._keys and key not in self._brought:
            self._brought[key] = self._bring(key)
        band = self._brought.get(key)
        if band is None:
            raise KeyError(key)
        return band

    def __iter__(self) -> Iterator[FrameKey]:
        return (key for key in self._keys if key in self)

    def __len__(self) -> int:
        return sum(1 for _ in self)


def _changed(name: str, facts: FrameFacts, changed: FrameFacts) -> FrameFacts:
    """Facts that a stage gave in place of others; which frame it is stays."""
    if _identity(changed) != _identity(facts):
        raise StageError(name, "changed the key, size or anchor of the frame's facts")
    return changed


def _identity(facts: FrameFacts) -> tuple[FrameKey, int, int, int]:
    return facts.key, facts.width, facts.height, facts.anchor_column


def _with_correction(facts: FrameFacts, solutions: Mapping[str, Solution]) -> FrameFacts:
    for solution in solutions.values():
        if solution.correction is not None:
            return replace(facts, correction=solution.correction, light=solution.light)
    return facts
