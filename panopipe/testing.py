"""Checks that a stage's author runs: any cut gives the same bits, a turn turns, neutral changes nothing.

    from panopipe.testing import check_stage

    def test_it_keeps_the_contract():
        check_stage(MyStage(), MySettings(share=0.5), neutral=MySettings(share=0))

Each check takes a frame of noise of its own making if none is given, and raises `AssertionError` with what
differs. They run the stage as a night does: through the pipeline, on a frame that is read from its anchor
column on.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from panopipe.frame import FrameFacts, FrameKey, Rows
from panopipe.pipeline.engine import REDUCED_WIDTH, reduce_rows
from panopipe.pipeline.frame_pipeline import FramePipeline, StageInputs
from panopipe.pipeline.steps import StageTimer, Step
from panopipe.sphere.anchor import anchor_column, anchor_rows
from panopipe.stage import FrameReader, MarginStage, RowStage, SpanStage, Stage

_WIDTH = 512


class ArrayReader(FrameReader):
    """A frame that is already in memory, read from its anchor column on as any file is.

    Parameters
    ----------
    rows : ndarray of shape (height, 2 height, 3), dtype float32
        Linear light in the working space, as the file holds it.
    key : FrameKey, optional
        Its room and name.
    """

    def __init__(self, rows: Rows, key: FrameKey | None = None) -> None:
        height, width = rows.shape[:2]
        anchor = anchor_column(rows[row] for row in anchor_rows(height))
        self._rows = np.roll(rows, -anchor, axis=1)
        self.facts = FrameFacts(key or FrameKey("room", "frame"), width, height, anchor)
        self.notes = {}

    def reduced(self, width: int) -> Rows:
        """See `FrameReader.reduced`."""
        return reduce_rows(self._rows, min(width, self.facts.width))

    def read(self, first: int, last: int) -> Rows:
        """See `FrameReader.read`."""
        return self._rows[first:last].copy()

    def close(self) -> None:
        """See `FrameReader.close`."""


def noise_frame(width: int = _WIDTH, seed: int = 1) -> Rows:
    """A frame of noise: float32 (width / 2, width, 3), some of it above white, some of it black."""
    light = np.random.default_rng(seed).gamma(0.8, 0.4, (width // 2, width, 3))
    return light.astype(np.float32)


def finished(
    stage: Stage[Any],
    settings: Any,
    rows: Rows,
    *,
    rows_at_once: int = 16,
    inputs: StageInputs | None = None,
) -> Rows:
    """Return what a stage makes of a frame, column 0 where the frame's file has it.

    Parameters
    ----------
    stage : RowStage, MarginStage or SpanStage
        The stage.
    settings : object
        Its settings.
    rows : ndarray of shape (height, 2 height, 3), dtype float32
        Linear light in the working space.
    rows_at_once : int
        Rows in a band.
    inputs : StageInputs, optional
        Solutions, pictures and neighbours, where the stage works with them.

    Raises
    ------
    TypeError
        If the stage is a source or a sink.
    StageError
        If the stage breaks the contract.
    """
    if not isinstance(stage, RowStage | MarginStage | SpanStage):
        raise TypeError(f"{stage.name} changes no light: it is an end of the pipeline")
    reader = ArrayReader(rows)
    pipeline = FramePipeline(
        reader,
        (Step(stage, settings),),
        inputs or StageInputs(),
        reader.reduced(REDUCED_WIDTH),
        StageTimer(),
        source="source",
        band_rows=rows_at_once,
    )
    pipeline.prepare(1)
    bands = [band.rows for band in pipeline.bands(1, 0, reader.facts.height)]
    return np.roll(np.concatenate(bands), reader.facts.anchor_column, axis=1)


def check_stage(
    stage: Stage[Any],
    settings: Any,
    *,
    neutral: Any = None,
    rows: Rows | None = None,
    inputs: StageInputs | None = None,
) -> None:
    """Run all checks on a stage.

    Parameters
    ----------
    stage : RowStage, MarginStage or SpanStage
        The stage.
    settings : object
        Settings with which it does something.
    neutral : object, optional
        Settings with which it changes nothing.
    rows : ndarray of shape (height, 2 height, 3), dtype float32, optional
        A frame; noise if not given.
    inputs : StageInputs, optional
        Solutions, pictures and neighbours, where the stage works with them.

    Raises
    ------
    AssertionError
        If a check fails; the message says which.
    """
    rows = noise_frame() if rows is None else rows
    check_cuts(stage, settings, rows, inputs=inputs)
    check_turns(stage, settings, rows, inputs=inputs)
    if neutral is not None:
        check_neutral(stage, neutral, rows, inputs=inputs)


def check_cuts(
    stage: Stage[Any],
    settings: Any,
    rows: Rows,
    *,
    cuts: int = 10,
    seed: int = 1,
    inputs: StageInputs | None = None,
) -> None:
    """Raise `AssertionError` if the result depends on how the frame is cut into bands."""
    whole = finished(stage, settings, rows, rows_at_once=len(rows), inputs=inputs)
    for height in np.random.default_rng(seed).integers(1, len(rows) // 2, cuts):
        banded = finished(stage, settings, rows, rows_at_once=int(height), inputs=inputs)
        _check_same(banded, whole, f"{stage.name}: bands of {height} rows give other bits than the whole")


def check_turns(stage: Stage[Any], settings: Any, rows: Rows, *, inputs: StageInputs | None = None) -> None:
    """Raise `AssertionError` if turning the frame by whole pixels does not just turn the result.

    Settings that name a direction in the file do not turn with the frame: leave them at what names none.
    """
    still = finished(stage, settings, rows, inputs=inputs)
    width = rows.shape[1]
    for columns in (1, width // 2 - 1, width // 2):
        turned = finished(stage, settings, np.roll(rows, columns, axis=1), inputs=inputs)
        expected = np.roll(still, columns, axis=1)
        _check_same(turned, expected, f"{stage.name}: a turn by {columns} pixels does more than turn it")


def check_neutral(stage: Stage[Any], neutral: Any, rows: Rows, *, inputs: StageInputs | None = None) -> None:
    """Raise `AssertionError` if neutral settings change the frame."""
    after = finished(stage, neutral, rows, inputs=inputs)
    _check_same(after, rows, f"{stage.name}: neutral settings change the frame")


def _check_same(given: Rows, expected: Rows, says: str) -> None:
    if not np.array_equal(given, expected):
        row, column, _ = np.argwhere(given != expected)[0]
        off = float(np.abs(given - expected).max())
        raise AssertionError(f"{says} (first at row {row}, column {column}; at most {off:.3g})")
