"""A frame's work without the frame: what is left when two files are written and nothing is computed."""

from __future__ import annotations

from pathlib import Path

from panopipe.files.below import write_below
from panopipe.frame import FrameKey
from panopipe.run.tasks import Chain, FinishResult, FinishTask, FrameFiles
from panopipe.stage import Rights
from panopipe.state.file_stamp import hashed

SUFFIXES = (".jpg", "-4096.jpg")


def errand_task(folder: Path, number: int) -> FinishTask:
    """A task that asks for two small files."""
    files = FrameFiles(str(folder), FrameKey("room", f"{number:04d}"), ())
    return FinishTask(files, Chain(()), {}, {}, {}, Rights(), {}, f"finished/room/{number:04d}")


def errand(task: FinishTask) -> FinishResult:
    """Write them, whole or not at all, as a finished frame's are."""
    folder, written = Path(task.files.folder), {}
    for suffix in SUFFIXES:
        path = task.target + suffix
        write_below(folder, path, b"x" * 1000)
        written[path] = hashed(folder / path)
    return FinishResult(written)
