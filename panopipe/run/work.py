"""What a worker process does: look at a frame, finish a frame.

A worker is handed a task and gives back a result. The finished pictures are written by the worker, whole or
not at all; the ledger is the parent's.
"""

from __future__ import annotations

import contextlib
import hashlib
import time
from collections.abc import Iterator
from pathlib import Path

import cv2

from panopipe.files.picture import read_patch
from panopipe.frame import Frame, FrameFacts, Rows
from panopipe.job import inside
from panopipe.pipeline.engine import finish_frame, reductions
from panopipe.pipeline.frame_pipeline import Given
from panopipe.pipeline.steps import StageError, Watch
from panopipe.pool.dispatch import FrameFault
from panopipe.pool.machine import peak_memory, reset_peak_memory
from panopipe.recipe.layers import loaded_stage
from panopipe.run.cache import found_bytes, found_name, kept_name, kept_reduced, reduced_bytes
from panopipe.run.frame_files import look_fingerprint, opened_frame, put_inside
from panopipe.run.neighbours import Neighbours
from panopipe.run.small_frame import small_bytes
from panopipe.run.source_preview import before_jpeg
from panopipe.run.tasks import FinishResult, FinishTask, FrameFiles, LookResult, LookTask
from panopipe.stage import Output
from panopipe.state.file_stamp import FileMark, hashed
from panopipe.state.serialization import dumps


def look(task: LookTask) -> LookResult:
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
        return _look(task)


def _look(task: LookTask) -> LookResult:
    files = task.files
    marks = {path: task.known.get(path) or hashed(files.at(path)) for path in files.paths}
    watch = Watch()
    facts, reduced = _light(task, look_fingerprint(marks, task.source), watch)
    seen = {}
    for name, settings in task.surveys:
        with watch.on(name):
            seen[name] = dumps(loaded_stage(name).survey(Frame(reduced.copy(), facts), settings))
    return LookResult(marks, facts, seen, watch.seconds, peak_memory())


def _light(task: LookTask, fingerprint: str, watch: Watch) -> tuple[FrameFacts, Rows]:
    """Facts of a frame and its light at reduced size: kept from a look before, or read and kept now."""
    files = task.files
    kept = kept_name(files.reduced, fingerprint)
    small = kept_name(files.small, fingerprint) if files.small else ""
    there = all(files.at(name).is_file() for name in (files.before, small) if name)
    if task.facts and there and (reduced := kept_reduced(files.at(kept), task.facts.width)) is not None:
        return task.facts, reduced
    with opened_frame(files, task.source, watch) as opened:
        found = reductions(opened, source=task.source[0], watch=watch)
        put_inside(files, files.before, before_jpeg(found.before, opened.facts), lasting=False)
        put_inside(files, kept, reduced_bytes(found.reduced), lasting=False)
        if opened.found is not None:
            put_inside(files, found_name(kept), found_bytes(opened.found), lasting=False)
        if small:
            put_inside(files, small, small_bytes(found.before), lasting=False)
        return opened.facts, found.reduced


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
    started, files = time.monotonic(), task.files
    watch = Watch(_Doing(files.at(task.doing) if task.doing else None))
    _check_unchanged(task)
    with opened_frame(files, task.chain.stages[0], watch) as opened:
        neighbours = Neighbours(task.neighbours, opened.facts.width, watch)
        finished = finish_frame(
            opened,
            task.chain.steps(),
            given=Given(task.solutions, _pictures(task), neighbours.rows),
            rights=task.rights,
            reduced=kept_reduced(files.at(files.reduced), opened.facts.width),
            watch=watch,
        )
    _check_unchanged(task)
    written = {}
    for output in finished.outputs[:1] if task.main_only else finished.outputs:
        path = f"{task.target}{output.suffix}"
        written[path] = _put_output(files, path, output)
    return FinishResult(
        written,
        finished.notes,
        finished.wants_look,
        finished.stage_seconds,
        peak_memory(),
        time.monotonic() - started,
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
    for path, mark in task.marks.items():
        if not mark.same_stat(task.files.at(path)):
            raise ValueError(f"{path} changed while the run was on; run again")


def _pictures(task: FinishTask) -> dict[str, dict[str, Rows]]:
    folder = Path(task.files.folder)
    found: dict[str, dict[str, Rows]] = {}
    for stage, names in task.pictures.items():
        for setting, name in names.items():
            if not inside(folder, folder / name):
                raise ValueError(f"{stage}: {name} leads out of the job folder")
            found.setdefault(stage, {})[setting] = read_patch(folder / name)
    return found


def _put_output(files: FrameFiles, path: str, output: Output) -> FileMark:
    place = put_inside(files, path, output.data)
    stat = place.stat()
    return FileMark(stat.st_size, stat.st_mtime_ns, hashlib.sha256(output.data).hexdigest())


class _Doing:
    """Leaves word of what the worker is at, for the progress line; never in the way of the work."""

    def __init__(self, path: Path | None) -> None:
        self._path = path

    def __call__(self, stage: str) -> None:
        if self._path:
            with contextlib.suppress(OSError):
                self._path.write_text(stage, encoding="utf-8")
