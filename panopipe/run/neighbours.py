"""Rows of other frames at the point of the pipeline where a stage wants to see them."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from panopipe.frame import Band, FrameKey
from panopipe.pipeline.engine import band_rows, reductions
from panopipe.pipeline.frame_pipeline import FramePipeline, StageInputs
from panopipe.pipeline.steps import StageTimer, check_kinds
from panopipe.run.cache import cached_reduced
from panopipe.run.frame_files import opened_frame
from panopipe.run.tasks import NeighbourTask, read_solutions
from panopipe.stage import FrameReader


class Neighbours:
    """Brings rows of other frames, each opened only for as long as it is read.

    Parameters
    ----------
    tasks : mapping of FrameKey to NeighbourTask
        How to come to each frame.
    width : int
        Width of the frame that wants them; a neighbour of another width counts as missing.
    timer : StageTimer
        Counts seconds.
    """

    def __init__(self, tasks: Mapping[FrameKey, NeighbourTask], width: int, timer: StageTimer) -> None:
        self._tasks, self._width, self._timer = tasks, width, timer

    def rows(self, key: FrameKey, stage: str, first: int, last: int) -> Band | None:
        """Rows `first` to `last` of a frame as they stand before `stage`; None if they cannot be had."""
        if key not in self._tasks:
            return None
        task = self._tasks[key]
        try:
            with opened_frame(task.files, task.chain.stages[0], self._timer) as reader:
                return self._rows(reader, task, stage, first, last)
        except (ValueError, OSError):  # its fault will be told as its own; here it is only missing
            return None

    def _rows(
        self, reader: FrameReader, task: NeighbourTask, stage: str, first: int, last: int
    ) -> Band | None:
        width, source = reader.facts.width, task.chain.stages[0][0]
        if width != self._width:
            return None
        middle, _ = check_kinds(task.chain.steps())
        upto = next((index for index, step in enumerate(middle) if step.name == stage), len(middle))
        reduced = cached_reduced(task.files.at(task.files.reduced), width)
        if reduced is None:
            reduced = reductions(reader, source=source, timer=self._timer).reduced
        pipeline = FramePipeline(
            reader,
            middle,
            StageInputs(read_solutions(task.solutions)),
            reduced,
            self._timer,
            source=source,
            band_rows=band_rows(width),
        )
        pipeline.prepare(upto)
        rows = np.empty((last - first, width, 3), np.float32)
        for band in pipeline.bands(upto, first, last):
            rows[band.first - first : band.last - first] = band.rows
        return Band(rows, first, pipeline.facts)
