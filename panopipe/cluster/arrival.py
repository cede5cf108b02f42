"""Finished files on their way: written under a name of their own, given their place by the run alone.

A worker that was taken for lost, or whose run was stopped, may go on to the end of its frame. What it writes
then takes no frame's place, and is swept away.
"""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path, PurePosixPath
from typing import Any

from panopipe.files.below import move_below, settle_below
from panopipe.run.tasks import FinishResult, FinishTask
from panopipe.state.folders import ARRIVING


def on_its_way(task: Any) -> Any:
    """A task as a worker gets it: what it finishes goes to a place of its own."""
    if not isinstance(task, FinishTask):
        return task
    return replace(task, target=f"{ARRIVING}/{secrets.token_hex(16)}")


def put_in_place(args: Sequence[Any], sent: Sequence[Any], result: Any) -> Any:
    """Give finished files the names that the task asks for; what is no finished frame stays as it is.

    Parameters
    ----------
    args, sent : sequence
        The task, alone, as it was wanted and as a worker got it.
    result : object
        What the worker gave back.

    Raises
    ------
    ValueError, OSError
        If a file cannot be moved.
    """
    if not isinstance(result, FinishResult):
        return result
    (task,), (moved,) = args, sent
    folder, files = Path(task.files.folder), {}
    for path, stamp in result.files.items():
        goal = task.target + path.removeprefix(moved.target)
        move_below(folder, path, goal)
        files[goal] = stamp
    settle_below(folder, PurePosixPath(task.target).parent.as_posix())
    return replace(result, files=files)
