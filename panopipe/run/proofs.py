"""Proofs: a job's frames at a small width, with the settings in force, to judge them in seconds."""

from __future__ import annotations

import dataclasses

from panopipe.files.below import move_below, remove_below
from panopipe.frame import FrameKey
from panopipe.job import FINISHED, PROOFS, WORKING
from panopipe.pool.dispatch import dispatch_twice
from panopipe.run.finish import Pace, doing_file, finish_task, pixels_of
from panopipe.run.session import Session
from panopipe.run.tasks import FinishResult, FinishTask, FrameFiles
from panopipe.run.work import finish
from panopipe.state.file_stamp import hashed

_LAST = f"{WORKING}/last-proofs"
_FEW = 2
"""Up to so many proofs are made without a worker: its start would take longer than they do."""


def proof_all(session: Session, width: int) -> None:
    """Make the proofs of the frames that are wanted. The ledger knows nothing of them."""
    keys = [key for key in session.frames if key in session.surveyed and key in session.wanted]
    for key in keys:
        _set_aside(session, key)
    few = len(keys) <= _FEW and session.options.executor is None
    pool = session.call_inline() if few else session.call(pixels_of(session, keys), "proof")
    pace = Pace(session, keys)

    def task(key: FrameKey) -> FinishTask:
        return _proof_task(session, key, doing_file(key), width)

    def note(key: FrameKey, error: str) -> None:
        session.run_log.line(f"{key}: {error} (will be tried once more at the end)")

    for key, task_result in dispatch_twice((pool, session.call_one), finish, keys, task, pace.tick, note):
        if task_result.result is None:
            session.summary.failed.append(key)
            session.summary.errors[key] = task_result.error
            session.run_log.line(f"{key}: failed: {task_result.error}")
        else:
            session.summary.finished.append(key)
            _put_beside(session, task_result.result)
        pace.done(key)


def _set_aside(session: Session, key: FrameKey) -> None:
    """Put the proof that is there aside, to be shown beside the new one."""
    name = _name(session, key)
    if (session.job.folder / PROOFS / name).is_file():
        move_below(session.job.folder, f"{PROOFS}/{name}", f"{_LAST}/{name}")


def _put_beside(session: Session, result: FinishResult) -> None:
    """Let the last proof be the one before, if the new one is another; else the one before stays."""
    for path, stamp in result.files.items():
        name, folder = path.removeprefix(f"{PROOFS}/"), session.job.folder
        last = folder / _LAST / name
        if not last.is_file():
            continue
        if hashed(last).sha256 == stamp.sha256:
            remove_below(folder, f"{_LAST}/{name}")
        else:
            move_below(folder, f"{_LAST}/{name}", f"{PROOFS}/before/{name}")


def _name(session: Session, key: FrameKey) -> str:
    """Name of a frame's proof below the folder of proofs."""
    return session.frames[key].outputs[0].removeprefix(f"{FINISHED}/")


def _proof_task(session: Session, key: FrameKey, doing: str, width: int) -> FinishTask:
    def files(key: FrameKey) -> FrameFiles:
        source, facts = session.surveyed[key].source, session.facts(key)
        return session.frames[key].small_files(session.job, source, facts, width)

    task = finish_task(session, key, doing)
    neighbours = {
        other: dataclasses.replace(neighbour, files=files(other))
        for other, neighbour in task.neighbours.items()
    }
    return dataclasses.replace(
        task,
        files=files(key),
        neighbours=neighbours,
        target=f"{PROOFS}/{key}",
        main_only=True,
    )
