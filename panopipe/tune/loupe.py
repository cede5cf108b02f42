"""A frame at full size, as the finished file will show it: a piece of it, or all of it reduced."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace

import numpy as np

from panopipe.frame import Frame, FrameFacts, Rows
from panopipe.pipeline.carried import Watched, watched
from panopipe.pipeline.engine import band_rows
from panopipe.pipeline.frame_pipeline import FramePipeline, StageInputs
from panopipe.pipeline.held import Superseded, poured
from panopipe.pipeline.steps import MiddleStep, SinkStep, StageTimer, check_kinds
from panopipe.run.frame_files import opened_frame
from panopipe.run.small_frame import small_start
from panopipe.sphere.geometry import row_of_pitch
from panopipe.sphere.reduce import AreaReducer
from panopipe.stage import FrameReader, Output, SpanStage
from panopipe.tune.bench import Bench, Tried

WIDTH, HEIGHT = 512, 256
"""Most pixels of the piece: a sink takes what is twice as wide as high."""
FINE_WIDTH = 4096
"""Columns of the whole, at most: a view 75 degrees high then fills 850 rows of a screen."""


@dataclass(frozen=True, slots=True)
class Spot:
    """A direction in the finished file: degrees of yaw and pitch."""

    yaw_deg: float
    pitch_deg: float


class Loupe:
    """Works on one frame at full size; what its stages prepared is held from one picture to the next.

    Parameters
    ----------
    bench : Bench
        Where frames are worked on.
    small_width : int
        Columns of the pictures that shall show what stages made of small places here.
    """

    def __init__(self, bench: Bench, small_width: int) -> None:
        self._bench, self._small_width = bench, small_width
        self._open = ExitStack()
        self._name: Hashable = None
        self._pipeline: FramePipeline | None = None
        self._watched: list[Watched] = []

    def close(self) -> None:
        """Let go of the frame."""
        self._open.close()
        self._name, self._pipeline = None, None

    def piece(self, tried: Tried, spot: Spot, is_wanted: Callable[[], bool]) -> Output:
        """Make the piece around a spot.

        Rows at which a stage needs much of the frame (the rebuilt floor, a frame turned upright) take as long
        as that stage takes at full size.

        Raises
        ------
        StageError
            If a stage fails.
        Superseded
            If it is not wanted any longer.
        """
        facts = tried.light.facts
        width, height = min(WIDTH, facts.width), min(HEIGHT, facts.height)
        first = round(float(row_of_pitch(spot.pitch_deg, facts.height))) - height // 2
        first = max(0, min(facts.height - height, first))
        middle, sink = check_kinds(tried.planned.chain.steps())
        if self._name != _named(tried, middle):  # what is prepared for the whole serves a piece, too
            middle = tuple(step for step in middle if _touches(step, facts, first, first + height))
        pipeline = self._prepared(tried, middle, is_wanted)
        finished_at = pipeline.facts.finished_anchor_column
        left = round((spot.yaw_deg / 360 + 0.5) * facts.width) - width // 2 - finished_at
        columns = np.arange(left, left + width) % facts.width
        rows = np.concatenate(
            [band.rows[:, columns] for band in pipeline.bands(len(middle), first, first + height)]
        )
        return self._poured(pipeline, sink, rows)

    def whole(self, tried: Tried, is_wanted: Callable[[], bool]) -> Output:
        """Make the whole frame as a run does, reduced to `FINE_WIDTH` columns; raises as `piece`.

        Small pictures of it are truer from then on.
        """
        middle, sink = check_kinds(tried.planned.chain.steps())
        pipeline = self._prepared(tried, middle, is_wanted)
        facts, size = pipeline.facts, (pipeline.facts.width, pipeline.facts.height)
        small_width = min(self._small_width, facts.width)
        begins = -facts.finished_anchor_column % facts.width
        fine = AreaReducer(*size, min(FINE_WIDTH, facts.width), begins)
        small = AreaReducer(*size, small_width, small_start(facts, small_width, facts.width))
        for band in pipeline.bands(len(middle), 0, facts.height):
            if not is_wanted():
                raise Superseded
            for reducer in (fine, small):
                reducer.take(band.rows, band.first)
        if small_width < facts.width:
            made = {one.name: (one.made[0], one.made[1]) for one in self._watched if one.made}
            self._bench.learn(tried, small.result(), made, pipeline.notes, pipeline.review_reasons)
        return self._poured(pipeline, sink, fine.result())

    def _poured(self, pipeline: FramePipeline, sink: SinkStep, rows: Rows) -> Output:
        """What the sink makes of rows that begin at the file's own first column."""
        height, width = rows.shape[:2]
        as_frame = replace(
            pipeline.facts, width=width, height=height, anchor_column=0, turned_columns=0, proof=True
        )
        return poured(rows, Frame(pipeline.reduced, as_frame), sink, self._bench.job.rights)[0]

    def _prepared(
        self, tried: Tried, steps: Sequence[MiddleStep], is_wanted: Callable[[], bool]
    ) -> FramePipeline:
        name = _named(tried, steps)
        if self._pipeline is None or name != self._name:
            self.close()
            self._pipeline = self._begun(tried, steps)
            for upto in range(1, len(steps) + 1):
                if not is_wanted():
                    self.close()
                    raise Superseded
                self._pipeline.prepare(upto)
            self._name = name
        return self._pipeline

    def _begun(self, tried: Tried, steps: Sequence[MiddleStep]) -> FramePipeline:
        reader: FrameReader = self._open.enter_context(
            opened_frame(self._bench.files_of(tried.planned), tried.planned.source, StageTimer())
        )
        width = reader.facts.width
        small = min(self._small_width, width)
        begins = small_start(reader.facts, small, width)
        reduced = tried.light.reduced.shape[1]
        steps = watched(steps, (small, begins), (reduced, 0) if reduced < small else (small, begins))
        self._watched = [step.stage for step in steps if isinstance(step.stage, Watched)]
        return FramePipeline(
            reader,
            steps,
            StageInputs(
                {stage: solved.solution for stage, solved in tried.solved.items()},
                self._bench.pictures_of(tried.planned),
                self._bench.neighbour_of(tried, width, is_full=True),
            ),
            tried.light.reduced,
            StageTimer(),
            source=tried.planned.source[0],
            band_rows=band_rows(width),
        )


def _named(tried: Tried, steps: Sequence[MiddleStep]) -> Hashable:
    """Equal for the same work on the same frame."""
    return (
        tried.planned.key,
        tried.planned.source,
        tuple((step.name, step.settings) for step in steps),
        tuple((stage, solved.number) for stage, solved in tried.solved.items()),
    )


def _touches(step: MiddleStep, facts: FrameFacts, first: int, last: int) -> bool:
    """Whether a stage has to work for some rows; those with a margin see a few more."""
    if not isinstance(step.stage, SpanStage):
        return True
    top, bottom = step.stage.span(facts, step.settings)
    beyond = (last - first) // 4
    return top < bottom and top < last + beyond and first - beyond < bottom
