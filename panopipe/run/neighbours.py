"""Rows of other frames at the point of the pipeline where a stage wants to see them."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import ExitStack

import numpy as np

from panopipe.frame import Band, FrameKey
from panopipe.run.engine import band_rows, reductions
from panopipe.run.frames import kept_reduced, opened_frame
from panopipe.run.passage import Given, Passage
from panopipe.run.steps import Watch, check_kinds
from panopipe.run.tasks import NeighbourTask


class Neighbours:
    """Brings rows of other frames.

    Parameters
    ----------
    tasks : mapping of FrameKey to NeighbourTask
        How to come to each frame.
    width : int
        Width of the frame that wants them; a neighbour of another width counts as missing.
    stack : ExitStack
        Closes the frames that were opened.
    watch : Watch
        Counts seconds.
    """

    def __init__(
        self, tasks: Mapping[FrameKey, NeighbourTask], width: int, stack: ExitStack, watch: Watch
    ) -> None:
        self._tasks, self._width, self._stack, self._watch = tasks, width, stack, watch

    def rows(self, key: FrameKey, stage: str, first: int, last: int) -> Band | None:
        """Rows `first` to `last` of a frame as they stand before `stage`; None if they cannot be had."""
        if key not in self._tasks:
            return None
        try:
            passage, upto = self._passage(self._tasks[key], stage)
            if passage.facts.width != self._width:
                return None
            bands = list(passage.bands(upto, first, last))
        except (ValueError, OSError):  # its fault will be told as its own; here it is only missing
            return None
        return Band(np.concatenate([band.rows for band in bands]), first, bands[0].facts)

    def _passage(self, task: NeighbourTask, stage: str) -> tuple[Passage, int]:
        middle, _ = check_kinds(task.chain.steps())
        upto = next((index for index, step in enumerate(middle) if step.name == stage), len(middle))
        source = task.chain.stages[0]
        opened = self._stack.enter_context(opened_frame(task.files, source, self._watch))
        width = opened.facts.width
        reduced = kept_reduced(task.files.at(task.files.reduced), width)
        if reduced is None:
            reduced = reductions(opened, source=source[0], watch=self._watch).reduced
        passage = Passage(
            opened,
            middle,
            Given(task.solutions),
            reduced,
            self._watch,
            source=source[0],
            band_rows=band_rows(width),
        )
        passage.prepare(upto)
        return passage, upto
