"""Second phase of a run: one solution for each frame, from what each stage saw of all of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from panopipe.frame import FrameKey
from panopipe.job import Job
from panopipe.pool.dispatch import dispatch_twice
from panopipe.run.plan import solved_fingerprint, survey_fingerprint
from panopipe.run.session import Session
from panopipe.run.tasks import SeenFrame, SolveResult, SolveTask
from panopipe.run.work import solve
from panopipe.stage import JobFacts
from panopipe.state.solutions import taken_over


@dataclass(slots=True)
class Solved:
    """What went wrong while solving, and what the photographer should know."""

    errors: dict[FrameKey, str] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)


def solve_all(session: Session) -> Solved:
    """Solve for every stage that surveys, in a worker; what is kept in the ledger and still true is taken.

    `session.solved` then says which joint solutions are in force.
    """
    solved = Solved()
    reference = session.job.reference
    if reference is not None and reference not in session.surveyed:
        solved.remarks.append(
            f"the white reference {reference} could not be opened; white is solved without it"
        )
        reference = None
    anew = []
    for stage in _surveying(session):
        frames = _seen(session, stage)
        looks = ((key, frames[key]) for key in sorted(frames))
        seen = (
            (key, survey_fingerprint(one.source, stage, one.settings), one.settings) for key, one in looks
        )
        session.solved[stage] = solved_fingerprint(session.job, stage, seen, reference)
        if not session.ledger.solutions.sound(stage, session.solved[stage]) >= frames.keys():
            anew.append(stage)
    if anew:
        _solve(session, anew, facts_for_solving(session.job, reference), solved)
    return solved


def facts_for_solving(job: Job, reference: FrameKey | None) -> JobFacts:
    """What the joint solution of a job may know; `reference` is left out where it could not be opened."""
    return JobFacts(job.rooms, reference, job.links, job.north)


def _surveying(session: Session) -> list[str]:
    """Stages that saw frames."""
    return list(dict.fromkeys(stage for key in session.surveyed for stage, _ in session.frames[key].surveys))


def _seen(session: Session, stage: str) -> dict[FrameKey, SeenFrame]:
    """Frames that a stage saw; made when it is wanted, as a night has very many."""
    frames: dict[FrameKey, SeenFrame] = {}
    same: dict[Any, Any] = {}
    for key, surveyed in session.surveyed.items():
        for name, settings in session.frames[key].surveys:
            if name == stage:
                given = same.setdefault(settings, settings)  # one for all: a task is sent whole
                frames[key] = SeenFrame(surveyed.source, given)
    return frames


def _solve(session: Session, stages: Sequence[str], job: JobFacts, solved: Solved) -> None:
    def task(stage: str) -> SolveTask:
        return SolveTask(str(session.ledger.folder), stage, _seen(session, stage), job)

    def tick(since: Mapping[str, float]) -> None:
        session.run_log.progress(f"solving {', '.join(since)} for all frames together")

    def note(stage: str, error: str) -> None:
        session.run_log.note(f"{stage}: {error} (will be tried once more)")

    executors = session.at_hand(), session.call_one
    for stage, task_result in dispatch_twice(executors, solve, stages, task, tick, note):
        if task_result.result is None:
            solved.errors |= dict.fromkeys(_seen(session, stage), task_result.error)
        else:
            solved.errors |= _keep(session, stage, task_result.result)


def _keep(session: Session, stage: str, result: SolveResult) -> Mapping[FrameKey, str]:
    solutions = taken_over(session.ledger.folder, result.handed_over)
    session.ledger.solutions.put(stage, session.solved[stage], solutions)
    session.run_log.event("solved", stage=stage, seconds=result.seconds, peak_bytes=result.peak_bytes)
    return result.unreadable
