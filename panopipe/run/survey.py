"""First phase of a run: look at every frame whose light or observation is not known yet."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from concurrent.futures import Executor
from dataclasses import replace

from panopipe.frame import FrameFacts, FrameKey
from panopipe.pool.budget import guessed_pixels
from panopipe.pool.dispatch import outcomes
from panopipe.run.cache import kept_name
from panopipe.run.plan import SMALL, Planned, seen_fingerprint
from panopipe.run.session import Looked, Session
from panopipe.run.tasks import LookResult, LookTask
from panopipe.run.work import look


def look_at_all(session: Session) -> None:
    """Look at all frames of the job, or take from the ledger what is known; failures are noted."""
    facts, seen = session.ledger.looks(), session.ledger.seen_fingerprints()
    tasks: dict[FrameKey, LookTask] = {}
    for key, planned in session.frames.items():
        if planned.entry.refused:
            session.failed(key, planned.entry.refused)
        elif not _is_known(session, planned, facts, seen):
            tasks[key] = _task(session, planned, facts, seen)
    if not tasks:
        return
    pixels = [
        sum(guessed_pixels(task.files.at(path)) for path in task.files.paths) for task in tasks.values()
    ]
    failed = _take(session, session.call(pixels, "look at"), tasks)
    if failed:
        _take(session, session.call_one(), failed, last=True)


def _is_known(
    session: Session, planned: Planned, facts: Mapping[str, FrameFacts], seen: Collection[str]
) -> bool:
    """Whether the ledger holds all that a look would find; if so, take it from there."""
    if any(path not in session.marks for path in planned.paths):
        return False
    fingerprint = session.look_of(planned)
    wanted = {seen_fingerprint(fingerprint, name, given) for name, given in planned.surveys}
    needed = [planned.before] + ([kept_name(SMALL, fingerprint)] if session.keeps_small else [])
    if fingerprint not in facts or wanted - set(seen):
        return False
    if not all((session.job.folder / name).is_file() for name in needed):
        return False
    session.looked[planned.key] = Looked(fingerprint, replace(facts[fingerprint], key=planned.key))
    return True


def _task(
    session: Session, planned: Planned, facts: Mapping[str, FrameFacts], seen: Collection[str]
) -> LookTask:
    surveys, known_facts = planned.surveys, None
    known = {path: session.marks[path] for path in planned.paths if path in session.marks}
    if len(known) == len(planned.paths):
        fingerprint = session.look_of(planned)
        if fingerprint in facts:
            known_facts = replace(facts[fingerprint], key=planned.key)
        surveys = tuple(
            (name, given) for name, given in surveys if seen_fingerprint(fingerprint, name, given) not in seen
        )
    files = replace(planned.files(session.job), small=SMALL if session.keeps_small else "")
    return LookTask(files, planned.source, surveys, known, known_facts)


def _take(
    session: Session, crew: Executor, tasks: Mapping[FrameKey, LookTask], *, last: bool = False
) -> dict[FrameKey, LookTask]:
    """Have tasks done; return those to be tried once more, none if this was the last try."""
    failed: dict[FrameKey, LookTask] = {}
    left = dict.fromkeys(tasks)

    def tick(since: Mapping[FrameKey, float]) -> None:
        names = ", ".join(str(key) for key in list(since)[:3])
        session.journal.progress(f"looking at {names}: {len(left)} of {len(tasks)} left")

    for key, outcome in outcomes(crew, look, tasks, tick):
        left.pop(key)
        if outcome.result is not None:
            _keep(session, key, outcome.result)
        elif last or not outcome.may_pass:
            session.failed(key, outcome.error, outcome.cause)
        else:
            session.journal.note(f"{key}: {outcome.error} (will be tried once more)")
            failed[key] = tasks[key]
    return failed


def _keep(session: Session, key: FrameKey, result: LookResult) -> None:
    planned = session.frames[key]
    session.marks.update(result.marks)
    fingerprint = session.look_of(planned)
    session.looked[key] = Looked(fingerprint, result.facts)
    given = dict(planned.surveys)
    seen = {seen_fingerprint(fingerprint, name, given[name]): text for name, text in result.seen.items()}
    session.ledger.put_look(fingerprint, result.facts, result.marks, seen)
    session.journal.event("looked", key, seconds=result.seconds, peak_bytes=result.peak_bytes)
