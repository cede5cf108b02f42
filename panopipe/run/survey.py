"""First phase of a run: look at every frame whose light or observation is not known yet."""

from __future__ import annotations

import contextlib
from collections.abc import Collection, Mapping
from dataclasses import replace

from panopipe.frame import FrameFacts, FrameKey
from panopipe.pool.budget import guessed_pixels
from panopipe.pool.dispatch import dispatch_twice
from panopipe.run.cache import cache_name
from panopipe.run.pace import TimeLeft
from panopipe.run.plan import SMALL, Planned, survey_fingerprint
from panopipe.run.session import Session, Surveyed
from panopipe.run.tasks import SurveyResult, SurveyTask
from panopipe.run.work import survey_frame


def survey_all(session: Session) -> None:
    """Look at all frames of the job, or take from the ledger what is known; failures are noted."""
    seen = session.ledger.survey_fingerprints()
    tasks: dict[FrameKey, SurveyTask] = {}
    for key, planned in session.frames.items():
        if planned.entry.refused:
            session.failed(key, planned.entry.refused)
        elif not is_known(session, planned, seen):
            tasks[key] = _task(session, planned, seen)
    if not tasks:
        return
    _look(session, tasks)


def is_known(session: Session, planned: Planned, seen: Collection[str]) -> bool:
    """Whether the ledger holds all that a look would find; if so, take it from there."""
    if any(path not in session.stamps for path in planned.paths):
        return False
    fingerprint = session.source_fingerprint_of(planned)
    wanted = {survey_fingerprint(fingerprint, name, given) for name, given in planned.surveys}
    needed = [planned.before] + ([cache_name(SMALL, fingerprint)] if session.keeps_small else [])
    facts = _known_facts(session, fingerprint)
    if facts is None or not all(one in seen for one in wanted):
        return False
    if not all((session.job.folder / name).is_file() for name in needed):
        return False
    session.surveyed[planned.key] = Surveyed(fingerprint, facts.width, facts.height)
    return True


def _known_facts(session: Session, fingerprint: str) -> FrameFacts | None:
    with contextlib.suppress(KeyError, ValueError):
        return session.ledger.facts(fingerprint)
    return None


def _task(session: Session, planned: Planned, seen: Collection[str]) -> SurveyTask:
    surveys, known_facts = planned.surveys, None
    known = {path: session.stamps[path] for path in planned.paths if path in session.stamps}
    if len(known) == len(planned.paths):
        fingerprint = session.source_fingerprint_of(planned)
        if facts := _known_facts(session, fingerprint):
            known_facts = replace(facts, key=planned.key)
        surveys = tuple(
            (name, given)
            for name, given in surveys
            if survey_fingerprint(fingerprint, name, given) not in seen
        )
    files = replace(planned.files(session.job), small=SMALL if session.keeps_small else "")
    pixels = sum(guessed_pixels(files.at(path)) for path in files.paths)
    return SurveyTask(files, planned.source, surveys, known, known_facts, pixels)


def _look(session: Session, tasks: Mapping[FrameKey, SurveyTask]) -> None:
    left = {key: 1 + _size(task) for key, task in tasks.items()}
    pace = TimeLeft(sum(left.values()))

    def tick(since: Mapping[FrameKey, float]) -> None:
        names = ", ".join(str(key) for key in list(since)[:3])
        time_left = pace.said(sum(left.values()))
        session.run_log.progress(f"looking at {names}: {len(left)} of {len(tasks)} left{time_left}")

    def note(key: FrameKey, error: str) -> None:
        session.run_log.note(f"{key}: {error} (will be tried once more)")

    executors = session.call([task.pixels for task in tasks.values()], "look at"), session.call_one
    for key, task_result in dispatch_twice(executors, survey_frame, tasks, tasks.__getitem__, tick, note):
        if task_result.result is None:
            session.failed(key, task_result.error, task_result.cause)
        else:
            _keep(session, key, task_result.result)
        left.pop(key)


def _size(task: SurveyTask) -> int:
    """Bytes to read, as a measure of the work."""
    return sum(place.stat().st_size for path in task.files.paths if (place := task.files.at(path)).is_file())


def _keep(session: Session, key: FrameKey, result: SurveyResult) -> None:
    planned = session.frames[key]
    session.stamps.update(result.stamps)
    fingerprint = session.source_fingerprint_of(planned)
    session.surveyed[key] = Surveyed(fingerprint, result.facts.width, result.facts.height)
    given = dict(planned.surveys)
    seen = {survey_fingerprint(fingerprint, name, given[name]): text for name, text in result.seen.items()}
    session.ledger.put_survey(fingerprint, result.facts, result.stamps, seen)
    session.run_log.event("looked", key, seconds=result.seconds, peak_bytes=result.peak_bytes)
