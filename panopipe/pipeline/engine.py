"""One frame, from its open file to the bytes of its finished pictures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from panopipe.frame import Band, FrameFacts, Rows
from panopipe.pipeline.frame_pipeline import FramePipeline, StageInputs
from panopipe.pipeline.steps import AnyStep, SinkStep, StageTimer, check_kinds, checked_rows
from panopipe.sphere.reduce import AreaReducer
from panopipe.stage import FrameReader, Output, Rights

REDUCED_WIDTH = 1024
"""Width of the frame that stages learn from."""
BEFORE_WIDTH = 2048
"""Width of the picture of the frame as decoded."""

_BAND_PIXELS = 1 << 18
"""Pixels of a band: 3 MiB of float32 stay in the caches of a common processor. Half of that would stay in the
second one, but twice as many bands cost more than that saves: 1 % at 18.9 megapixels, 3 % at 71.6."""


@dataclass(frozen=True, slots=True)
class Reductions:
    """A frame as decoded, at two sizes.

    Attributes
    ----------
    before : ndarray of shape (h, 2 h, 3), dtype float32
        2048 wide, or the frame itself if smaller.
    reduced : ndarray of shape (h, 2 h, 3), dtype float32
        1024 wide, or the frame itself if smaller.
    """

    before: Rows
    reduced: Rows


@dataclass(frozen=True, slots=True)
class Finished:
    """What became of a frame.

    Attributes
    ----------
    outputs : sequence of Output
        Files to write, the main one first.
    facts : FrameFacts
        Facts of the frame, as the stages left them.
    notes : mapping of str to mapping
        By stage, what it found out.
    review_reasons : mapping of str to tuple of str
        By stage, why a person should look.
    stage_seconds : mapping of str to float
        Seconds of CPU by stage, source and sink among them.
    """

    outputs: Sequence[Output]
    facts: FrameFacts
    notes: Mapping[str, Mapping[str, float | str]] = field(default_factory=dict)
    review_reasons: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    stage_seconds: Mapping[str, float] = field(default_factory=dict)


def band_rows(width: int) -> int:
    """Rows to stream at a time: 8 to 32, so that a band stays in the processor's caches."""
    return max(8, min(32, _BAND_PIXELS // width // 8 * 8))


def reductions(reader: FrameReader, *, source: str = "source", timer: StageTimer | None = None) -> Reductions:
    """Reduce a frame as decoded, in one reading of the file.

    Raises
    ------
    StageError
        If the source fails or breaks the contract.
    """
    timer = timer or StageTimer()
    width = min(reader.facts.width, BEFORE_WIDTH)
    with timer.on(source):
        before = reader.reduced(width)
    checked_rows(source, before, (width // 2, width, 3))
    with timer.on(source):
        return Reductions(before, reduce_rows(before, min(width, REDUCED_WIDTH)))


def reduce_rows(rows: Rows, width: int, start: float = 0) -> Rows:
    """Reduce a whole frame in memory, from a column on; the frame itself if it is that wide already."""
    if rows.shape[1] == width:
        return rows
    reducer = AreaReducer(rows.shape[1], rows.shape[0], width, start)
    reducer.take(rows, 0)
    return reducer.result()


def finish_frame(
    reader: FrameReader,
    steps: Sequence[AnyStep],
    *,
    inputs: StageInputs | None = None,
    rights: Rights | None = None,
    reduced: Rows | None = None,
    timer: StageTimer | None = None,
    whole: bool = False,
    rows_at_once: int | None = None,
) -> Finished:
    """Take one frame through its stages.

    Bands of a few rows stream from the source through the stages to the sink. Only the rows that a span
    stage asks for are held, so memory does not grow with the frame beyond them and the sink's own.

    Parameters
    ----------
    reader : FrameReader
        The frame, open. It is not closed.
    steps : sequence of Step
        Stages with their settings; the last makes the files, a source at the head is known as the one
        that opened the frame.
    inputs : StageInputs, optional
        Solutions, pictures and neighbours for the stages.
    rights : Rights, optional
        For the metadata of the files.
    reduced : ndarray, optional
        The frame at reduced size as `reductions` gives it, when it is already at hand.
    timer : StageTimer, optional
        Goes on counting seconds that began elsewhere, and is told of each stage the frame comes to.
    whole : bool
        Hand each stage the whole frame at once. The same bits come out; for tests.
    rows_at_once : int, optional
        Rows of a band; by default what fits the cache.

    Returns
    -------
    Finished
        Files and findings.

    Raises
    ------
    StageError
        If a stage raises or breaks the contract.
    ValueError
        If a stage stands where its kind cannot.
    """
    middle, sink = check_kinds(steps)
    source = steps[0].name if len(steps) == len(middle) + 2 else "source"
    timer = timer or StageTimer()
    timer.comes_to(source)
    if reduced is None:
        reduced = reductions(reader, source=source, timer=timer).reduced
    rows = rows_at_once or band_rows(reader.facts.width)
    pipeline = FramePipeline(
        reader, middle, inputs or StageInputs(), reduced, timer, source=source, band_rows=rows
    )
    if len(steps) == len(middle) + 2:
        pipeline.note(steps[0], reader.notes)
    else:
        pipeline.notes[source] = dict(reader.notes)
    if reader.review_reasons:
        pipeline.review_reasons[source] = tuple(reader.review_reasons)
    for upto, step in enumerate(middle, 1):
        timer.comes_to(step.name)
        pipeline.prepare(upto)
    timer.comes_to(sink.name)
    outputs = _poured(pipeline, sink, rights or Rights(), timer, len(middle), whole=whole)
    return Finished(
        outputs,
        pipeline.facts,
        {name: notes for name, notes in pipeline.notes.items() if notes},
        pipeline.review_reasons,
        timer.seconds,
    )


def _poured(
    pipeline: FramePipeline,
    sink: SinkStep,
    rights: Rights,
    timer: StageTimer,
    upto: int,
    *,
    whole: bool,
) -> Sequence[Output]:
    stage, height = sink.stage, pipeline.facts.height
    with timer.on(sink.name):
        pouring = stage.start(pipeline.context(sink), sink.settings, rights)
    bands = [Band(pipeline.whole(), 0, pipeline.facts)] if whole else pipeline.bands(upto, 0, height)
    for band in bands:
        with timer.on(sink.name):
            pouring.take(band)
    with timer.on(sink.name):
        outputs = tuple(pouring.finish())
        names = tuple(output.suffix for output in outputs)
        if names != tuple(stage.outputs(sink.settings)):
            raise ValueError(f"made {', '.join(names)}, not what it had announced")
    return outputs
