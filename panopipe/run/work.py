"""What a worker process does: look at a frame, solve for a stage, finish a frame.

A worker is handed a task and gives back a result. The finished pictures are written by the worker, whole or
not at all; the ledger is the parent's, and read at most.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import time
from collections.abc import Iterator
from pathlib import Path

import cv2

from panopipe.errors import FrameFault, StageError
from panopipe.files.below import open_below
from panopipe.frame import Frame, FrameFacts, Rows
from panopipe.pipeline.engine import finish_frame, reductions
from panopipe.pipeline.frame_pipeline import StageInputs
from panopipe.pipeline.steps import StageTimer
from panopipe.pool.machine import peak_memory, reset_peak_memory
from panopipe.registry import loaded_sink, loaded_stage
from panopipe.run.cache import cache_name, cached_reduced, probe_bytes, probe_name, reduced_bytes, small_bytes
from panopipe.run.frame_files import opened_frame, pictures_of, put_inside, source_fingerprint
from panopipe.run.neighbours import Neighbours
from panopipe.run.observed import Observed
from panopipe.run.source_preview import preview_of_source
from panopipe.run.tasks import (
    FinishResult,
    FinishTask,
    FrameFiles,
    Made,
    SolveResult,
    SolveTask,
    SurveyResult,
    SurveyTask,
    read_solutions,
)
from panopipe.stage import Solution
from panopipe.state.file_stamp import FileStamp, hashed
from panopipe.state.ledger import Ledger
from panopipe.state.serialization import dumps
from panopipe.state.solutions import SpelledSolution, hand_over, spelled_solution


def survey_frame(task: SurveyTask) -> SurveyResult:
    """Look at one frame.

    Raises
    ------
    FrameFault
        If the frame cannot be opened or observed, now or ever.
    StageError
        If a stage fails for another reason.
    OSError
        If a file cannot be read, or the working folder not be written.
    """
    with _at_work():
        return _survey_frame(task)


def _survey_frame(task: SurveyTask) -> SurveyResult:
    files = task.files
    stamps = {path: task.known.get(path) or hashed(files.at(path)) for path in files.paths}
    timer = StageTimer()
    facts, reduced = _light(task, source_fingerprint(stamps, task.source), timer)
    seen = {}
    for name, settings in task.surveys:
        stage = loaded_stage(name)
        with timer.on(name):
            seen[name] = dumps(stage.survey(Frame(reduced.copy(), facts), stage.settings_for_look(settings)))
    return SurveyResult(stamps, facts, seen, timer.seconds, peak_memory())


def _light(task: SurveyTask, fingerprint: str, timer: StageTimer) -> tuple[FrameFacts, Rows]:
    """Facts of a frame and its light at reduced size: kept from a look before, or read and kept now."""
    files = task.files
    kept = cache_name(files.reduced, fingerprint)
    small = cache_name(files.small, fingerprint) if files.small else ""
    there = all(files.at(name).is_file() for name in (files.before, small) if name)
    if task.facts and there and (reduced := cached_reduced(files.at(kept), task.facts.width)) is not None:
        return task.facts, reduced
    with opened_frame(files, task.source, timer) as reader:
        light = reductions(reader, source=task.source[0], timer=timer)
        put_inside(files, files.before, preview_of_source(light.before, reader.facts), lasting=False)
        put_inside(files, kept, reduced_bytes(light.reduced), lasting=False)
        if reader.probed is not None:
            put_inside(files, probe_name(kept), probe_bytes(reader.probed), lasting=False)
        if small:
            put_inside(files, small, small_bytes(light.before), lasting=False)
        return reader.facts, light.reduced


def solve(task: SolveTask) -> SolveResult:
    """Solve for all frames that a stage saw, and hand the solutions over in a file.

    Raises
    ------
    FrameFault
        If the stage cannot solve, now or ever.
    StageError
        If it fails for want of memory.
    OSError
        If the ledger cannot be read, or the working folder not be written.
    """
    with _at_work():
        return _solve(task)


def _solve(task: SolveTask) -> SolveResult:
    stage, timer = loaded_stage(task.stage), StageTimer()
    with Ledger(Path(task.folder), read_only=True) as ledger:
        observed = Observed(ledger, task, stage)
        with timer.on(stage.name):
            solutions = stage.solve(observed, task.job)
            walk = [key for key in solutions if key in observed]
            walk += [key for key in observed if key not in solutions]

        def spelled() -> Iterator[SpelledSolution]:
            for key in walk:
                with timer.on(stage.name):
                    solution = solutions[key] if key in solutions else Solution()
                    if not isinstance(solution, Solution):
                        raise TypeError(f"solve gave {type(solution).__name__} for {key}, not Solution")
                    one = spelled_solution(key, solution)
                yield one

        handed_over = hand_over(Path(task.folder), spelled())
    return SolveResult(handed_over, observed.unreadable, timer.seconds, peak_memory())


def finish(task: FinishTask) -> FinishResult:
    """Finish one frame and write its files.

    Raises
    ------
    FrameFault
        If a stage cannot do its part on this frame, now or ever, or an original changed since it was
        looked at.
    StageError
        If a stage fails for another reason.
    OSError
        If a file cannot be read or written.
    """
    with _at_work():
        return _finish(task)


def _finish(task: FinishTask) -> FinishResult:
    if task.made:
        return _relabelled(task, task.made)
    started, files = time.monotonic(), task.files
    timer = StageTimer(_Doing(Path(files.folder), task.doing))
    _check_unchanged(task)
    with opened_frame(files, task.chain.stages[0], timer) as reader:
        neighbours = Neighbours(task.neighbours, reader.facts.width, timer)
        finished = finish_frame(
            reader,
            task.chain.steps(),
            inputs=StageInputs(
                read_solutions(task.solutions),
                pictures_of(Path(files.folder), task.pictures),
                neighbours.rows,
            ),
            rights=task.rights,
            reduced=cached_reduced(files.at(files.reduced), reader.facts.width),
            timer=timer,
        )
    _check_unchanged(task)
    written = {}
    for output in finished.outputs[:1] if task.main_only else finished.outputs:
        path = f"{task.target}{output.suffix}"
        written[path] = _put_output(files, path, output.data)
    return FinishResult(
        written,
        finished.notes,
        finished.review_reasons,
        finished.stage_seconds,
        peak_memory(),
        time.monotonic() - started,
        finished.facts.capture,
    )


def _relabelled(task: FinishTask, made: Made) -> FinishResult:
    """Write the metadata of finished files anew, around the pictures as they are."""
    started, timer = time.monotonic(), StageTimer()
    name, settings = task.chain.stages[-1]
    written = {}
    for suffix, stamp in made.files.items():
        data = task.files.at(f"{made.target}{suffix}").read_bytes()
        if hashlib.sha256(data).hexdigest() != stamp.sha256:
            raise ValueError(f"{made.target}{suffix} changed while the run was on; run again")
        with timer.on(name):
            labelled = loaded_sink(name).relabelled(data, made.capture, settings, task.rights)
        path = f"{task.target}{suffix}"
        written[path] = _put_output(task.files, path, labelled)
    return FinishResult(
        written,
        stage_seconds=timer.seconds,
        peak_bytes=peak_memory(),
        wall_seconds=time.monotonic() - started,
        capture=made.capture,
        relabelled=True,
    )


@contextlib.contextmanager
def _at_work() -> Iterator[None]:
    """Prepare the process for a task; tell what is wrong with the frame from what another try may mend."""
    cv2.setNumThreads(1)  # the run counts workers; threads inside them would fight
    reset_peak_memory()
    try:
        yield
    except ValueError as error:
        if isinstance(error, StageError) and not isinstance(error.__cause__, ValueError | None):
            raise  # of memory, a disk, or the stage's own making
        raise FrameFault(str(error)) from error


def _check_unchanged(task: FinishTask) -> None:
    for path, stamp in task.stamps.items():
        if not stamp.same_stat(task.files.at(path)):
            raise ValueError(f"{path} changed while the run was on; run again")


def _put_output(files: FrameFiles, path: str, data: bytes | memoryview) -> FileStamp:
    place = put_inside(files, path, data)
    stat = place.stat()
    return FileStamp(stat.st_size, stat.st_mtime_ns, hashlib.sha256(data).hexdigest())


class _Doing:
    """Leaves word of what the worker is at, for the progress line; never in the way of the work."""

    def __init__(self, folder: Path, name: str) -> None:
        self._folder, self._name = folder, name

    def __call__(self, stage: str) -> None:
        if self._name:
            with contextlib.suppress(OSError, ValueError):
                handle = open_below(self._folder, self._name, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
                with os.fdopen(handle, "w", encoding="utf-8") as file:
                    file.write(stage)
