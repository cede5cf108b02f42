"""Rows of other frames at the point of the pipeline where a stage wants to see them."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from panopipe.frame import Band, FrameKey
from panopipe.pipeline.engine import band_rows, reductions
from panopipe.pipeline.frame_pipeline import Given, Passage
from panopipe.pipeline.steps import Watch, check_kinds
from panopipe.run.cache import kept_reduced
from panopipe.run.frame_files import opened_frame
from panopipe.run.tasks import NeighbourTask
from panopipe.stage import Opened


class Neighbours:
    """Brings rows of other frames, each opened only for as long as it is read.

    Parameters
    ----------
    tasks : mapping of FrameKey to NeighbourTask
        How to come to each frame.
    width : int
        Width of the frame that wants them; a neighbour of another width counts as missing.
    watch : Watch
        Counts seconds.
    """

    def __init__(self, tasks: Mapping[FrameKey, NeighbourTask], width: int, watch: Watch) -> None:
        self._tasks, self._width, self._watch = tasks, width, watch

    def rows(self, key: FrameKey, stage: str, first: int, last: int) -> Band | None:
        """Rows `first` to `last` of a frame as they stand before `stage`; None if they cannot be had."""
        if key not in self._tasks:
            return None
        task = self._tasks[key]
        try:
            with opened_frame(task.files, task.chain.stages[0], self._watch) as opened:
                return self._rows(opened, task, stage, first, last)
        except (ValueError, OSError):  # its fault will be told as its own; here it is only missing
            return None

    def _rows(self, opened: Opened, task: NeighbourTask, stage: str, first: int, last: int) -> Band | None:
        width, source = opened.facts.width, task.chain.stages[0][0]
        if width != self._width:
            return None
        middle, _ = check_kinds(task.chain.steps())
        upto = next((index for index, step in enumerate(middle) if step.name == stage), len(middle))
        reduced = kept_reduced(task.files.at(task.files.reduced), width)
        if reduced is None:
            reduced = reductions(opened, source=source, watch=self._watch).reduced
        passage = Passage(
            opened,
            middle,
            Given(task.solutions),
            reduced,
            self._watch,
            source=source,
            band_rows=band_rows(width),
        )
        passage.prepare(upto)
        rows = np.empty((last - first, width, 3), np.float32)
        for band in passage.bands(upto, first, last):
            rows[band.first - first : band.last - first] = band.rows
        return Band(rows, first, passage.facts)
