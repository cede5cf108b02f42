"""A piece of a frame at full size, as the finished file will show it."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from contextlib import ExitStack
from dataclasses import dataclass, replace

import numpy as np

from panopipe.frame import Frame, FrameFacts
from panopipe.pipeline.engine import band_rows
from panopipe.pipeline.frame_pipeline import FramePipeline, StageInputs
from panopipe.pipeline.held import Superseded, poured
from panopipe.pipeline.steps import MiddleStep, StageTimer, check_kinds
from panopipe.run.frame_files import opened_frame
from panopipe.sphere.geometry import row_of_pitch
from panopipe.stage import FrameReader, Output, SpanStage
from panopipe.tune.bench import Bench, Tried

WIDTH, HEIGHT = 512, 256
"""Most pixels of the piece: a sink takes what is twice as wide as high."""


@dataclass(frozen=True, slots=True)
class Spot:
    """A direction in the finished file: degrees of yaw and pitch."""

    yaw_deg: float
    pitch_deg: float


class Loupe:
    """Makes pieces of one frame at full size; what its stages prepared is held between them.

    Parameters
    ----------
    bench : Bench
        Where frames are worked on.
    """

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._open = ExitStack()
        self._name: Hashable = None
        self._pipeline: FramePipeline | None = None
        self._upto = 0

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
        pipeline = self._prepared(tried, first, first + height, is_wanted)
        finished_at = pipeline.facts.finished_anchor_column
        left = round((spot.yaw_deg / 360 + 0.5) * facts.width) - width // 2 - finished_at
        columns = np.arange(left, left + width) % facts.width
        rows = np.concatenate(
            [band.rows[:, columns] for band in pipeline.bands(self._upto, first, first + height)]
        )
        _, sink = check_kinds(tried.planned.chain.steps())
        as_frame = replace(
            pipeline.facts, width=width, height=height, anchor_column=0, turned_columns=0, proof=True
        )
        return poured(rows, Frame(pipeline.reduced, as_frame), sink, self._bench.job.rights)[0]

    def _prepared(self, tried: Tried, first: int, last: int, is_wanted: Callable[[], bool]) -> FramePipeline:
        middle, _ = check_kinds(tried.planned.chain.steps())
        steps = [step for step in middle if _touches(step, tried.light.facts, first, last)]
        name = (
            tried.planned.key,
            tried.planned.source,
            tuple((step.name, step.settings) for step in steps),
            tuple((stage, solved.number) for stage, solved in tried.solved.items()),
        )
        if self._pipeline is None or name != self._name:
            self.close()
            self._pipeline = self._begun(tried, steps)
            for upto in range(1, len(steps) + 1):
                if not is_wanted():
                    self.close()
                    raise Superseded
                self._pipeline.prepare(upto)
            self._upto, self._name = len(steps), name
        return self._pipeline

    def _begun(self, tried: Tried, steps: list[MiddleStep]) -> FramePipeline:
        reader: FrameReader = self._open.enter_context(
            opened_frame(self._bench.files_of(tried.planned), tried.planned.source, StageTimer())
        )
        width = reader.facts.width
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


def _touches(step: MiddleStep, facts: FrameFacts, first: int, last: int) -> bool:
    """Whether a stage has to work for some rows; those with a margin see a few more."""
    if not isinstance(step.stage, SpanStage):
        return True
    top, bottom = step.stage.span(facts, step.settings)
    beyond = (last - first) // 4
    return top < bottom and top < last + beyond and first - beyond < bottom
