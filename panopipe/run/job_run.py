"""A run over a job: look at all frames, solve what is joint, finish what changed, keep the ledger."""

from __future__ import annotations

import time
from collections.abc import Callable, Collection
from contextlib import ExitStack
from dataclasses import replace

from panopipe.errors import WorkersGone
from panopipe.frame import FrameKey
from panopipe.job import Job
from panopipe.pixels.compiled import COMPILED, NOT_COMPILED
from panopipe.pool.dispatch import is_disk_full
from panopipe.recipe import Recipe
from panopipe.run.finish import finish_all
from panopipe.run.grouping import recognised
from panopipe.run.plan import REDUCED, SMALL, survey_fingerprint
from panopipe.run.proofs import proof_all
from panopipe.run.remarks import group_lines
from panopipe.run.session import Options, Session, Summary
from panopipe.run.solve import solve_all
from panopipe.run.survey import survey_all
from panopipe.run.surveyed_job import SurveyedJob, as_surveyed, stands_of
from panopipe.state.folders import ensure_folders, sweep, sweep_cache
from panopipe.state.ledger import Ledger
from panopipe.state.lock import JobLock
from panopipe.state.run_log import ProgressReporter, RunLog, SilentReporter
from panopipe.state.stands import keep_stands

__all__ = ["Options", "Summary", "look_at_job", "proof_job", "run_job"]


def run_job(
    job: Job, recipe: Recipe, options: Options | None = None, reporter: ProgressReporter | None = None
) -> Summary:
    """Run a job: whatever can be finished is finished, and only what changed is done again.

    Parameters
    ----------
    job : Job
        The job.
    recipe : Recipe
        Its settings, found right.
    options : Options, optional
        How to run.
    reporter : ProgressReporter, optional
        Where to say how it goes.

    Returns
    -------
    Summary
        How it went; also when the disk filled up or the user stopped it.

    Raises
    ------
    BlockingIOError
        If another run works on it.
    OSError
        If the job folder cannot be written.
    ValueError
        If a link in the job folder leads outside where the run has to write.
    """

    def finish_and_tidy(session: Session) -> None:
        finish_all(session)
        _tidy(session)

    return _go(job, recipe, options or Options(), reporter or SilentReporter(), finish_and_tidy)


def proof_job(
    job: Job,
    recipe: Recipe,
    options: Options | None = None,
    reporter: ProgressReporter | None = None,
    *,
    width: int = 2048,
) -> Summary:
    """Make proofs: the frames at `width` columns, with the settings in force, in the job's proofs folder.

    Raises
    ------
    BlockingIOError, OSError, ValueError
        As `run_job`.
    """

    def proof_and_tidy(session: Session) -> None:
        proof_all(session, width)
        _tidy(session)

    return _go(
        job, recipe, options or Options(), reporter or SilentReporter(), proof_and_tidy, keeps_small=True
    )


def look_at_job(
    job: Job, recipe: Recipe, options: Options | None = None, reporter: ProgressReporter | None = None
) -> SurveyedJob:
    """Look at all frames and solve what is joint; keep light at a small width, as for proofs.

    Raises
    ------
    BlockingIOError, OSError, ValueError
        As `run_job`.
    KeyboardInterrupt
        If the user stopped it.
    """
    surveyed_job: list[SurveyedJob] = []

    def keep(session: Session) -> None:
        surveyed_job.append(as_surveyed(session))
        _tidy(session)

    summary = _go(job, recipe, options or Options(), reporter or SilentReporter(), keep, keeps_small=True)
    if summary.interrupted:
        raise KeyboardInterrupt
    if not surveyed_job:
        raise OSError(summary.stopped)
    return surveyed_job[0]


def _go(
    job: Job,
    recipe: Recipe,
    options: Options,
    reporter: ProgressReporter,
    last_phase: Callable[[Session], None],
    *,
    keeps_small: bool = False,
) -> Summary:
    started, folder = time.monotonic(), job.folder
    ensure_folders(folder)
    with JobLock(folder), RunLog(folder, reporter) as run_log, Ledger(folder) as ledger:
        job = recognised(job, recipe, run_log, keeps=True, options=options)
        options = replace(options, only=_frames_of(job, options.only))
        session = Session(job, recipe, options, run_log, ledger)
        session.keeps_small = keeps_small
        summary = session.summary
        with ExitStack() as stack:
            stack.callback(session.dismiss)
            try:
                _begin(session)
                survey_all(session)
                _solve(session)
                last_phase(session)
            except WorkersGone as error:
                summary.stopped = f"{error}; run again: it goes on from here"
            except OSError as error:
                if not is_disk_full(error):
                    raise
                summary.stopped = "the disk is full; make room, then run again: it goes on from here"
            except KeyboardInterrupt:
                summary.stopped, summary.interrupted = "stopped by you; run again: it goes on from here", True
        _close(session, time.monotonic() - started)
        return summary


def _frames_of(job: Job, only: Collection[FrameKey] | None) -> Collection[FrameKey] | None:
    """Frames that are wanted, by any of the files that they are made of."""
    if only is None:
        return None
    within = {member: key for key, members in job.members.items() for member in members}
    return {within.get(key, key) for key in only}


def _begin(session: Session) -> None:
    sweep(session.job.folder)
    session.run_log.event("start", frames=len(session.frames), wanted=len(session.wanted))
    for remark in (*session.job.remarks, *session.recipe.idle()):
        session.run_log.line(remark)
    for line in group_lines(session.job):
        session.run_log.line(line)
    if not COMPILED:
        session.run_log.line(NOT_COMPILED)
    if aside := session.ledger.set_aside:
        session.run_log.line(f"the ledger could not be read and is now {aside}; all is made again")
    gone = [key for key in session.ledger.frames() if key not in session.frames]
    session.ledger.forget([key for key in gone if not _is_unread(session, key)])


def _is_unread(session: Session, key: FrameKey) -> bool:
    """Whether a frame may still be in the job: its finished files are as good as they were."""
    entry = session.ledger.entry(key)
    return entry is not None and any(map(session.job.is_unread, entry.record.originals))


def _solve(session: Session) -> None:
    solved = solve_all(session)
    keep_stands(session.job.folder, stands_of(session))
    for remark in solved.remarks:
        session.run_log.line(remark)
    for key, error in solved.errors.items():
        session.failed(key, error)
        session.surveyed.pop(key)


def _tidy(session: Session) -> None:
    sweep(session.job.folder)
    if session.job.unread:
        return  # what was kept of frames that cannot be read now is as good as it was
    surveyed = {surveyed.source for surveyed in session.surveyed.values()}
    seen = (
        survey_fingerprint(surveyed.source, name, given)
        for key, surveyed in session.surveyed.items()
        for name, given in session.frames[key].surveys
    )
    session.ledger.keep_only(surveyed=surveyed, seen=seen, solved=session.solved)
    for kept in (REDUCED, SMALL):
        sweep_cache(session.job.folder, kept, surveyed)


def _close(session: Session, seconds: float) -> None:
    summary, order = session.summary, {key: at for at, key in enumerate(session.frames)}
    told = {*summary.finished, *summary.already, *summary.failed}
    summary.left, summary.seconds = len(session.wanted - told), seconds
    for keys in (summary.finished, summary.already, summary.failed):
        keys.sort(key=order.__getitem__)
    if summary.stopped:
        counts = f"{len(summary.finished)} finished, {summary.left} left"
        session.run_log.line(f"{summary.stopped} ({counts})")
    session.run_log.event(
        "end",
        finished=len(summary.finished),
        already=len(summary.already),
        failed=len(summary.failed),
        left=summary.left,
        stopped=summary.stopped,
        seconds=round(seconds, 3),
    )
