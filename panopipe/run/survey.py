"""First phase of a run: look at every frame whose light or observation is not known yet."""

from __future__ import annotations

import contextlib
from collections.abc import Collection, Mapping, Sequence
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
    unknown: list[FrameKey] = []
    for key, planned in session.frames.items():
        if planned.entry.refused:
            session.failed(key, planned.entry.refused)
        elif not is_known(session, planned, seen):
            unknown.append(key)
    if unknown:
        _look(session, unknown, seen)


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
    return SurveyTask(files, planned.source, surveys, known, known_facts, _pixels(session, planned))


def _look(session: Session, keys: Sequence[FrameKey], seen: Collection[str]) -> None:
    left = {"frames": len(keys), "bytes": sum(_size(session, session.frames[key]) for key in keys)}
    pace = TimeLeft(left["bytes"])

    def tick(since: Mapping[FrameKey, float]) -> None:
        names = ", ".join(str(key) for key in list(since)[:3])
        time_left = pace.said(left["bytes"])
        session.run_log.progress(f"looking at {names}: {left['frames']} of {len(keys)} left{time_left}")

    def note(key: FrameKey, error: str) -> None:
        session.run_log.note(f"{key}: {error} (will be tried once more)")

    def task(key: FrameKey) -> SurveyTask:
        return _task(session, session.frames[key], seen)

    executors = (
        session.call([_pixels(session, session.frames[key]) for key in keys], "look at"),
        session.call_one,
    )
    for key, task_result in dispatch_twice(executors, survey_frame, keys, task, tick, note):
        if task_result.result is None:
            session.failed(key, task_result.error, task_result.cause)
        else:
            _keep(session, key, task_result.result)
        left["frames"] -= 1
        left["bytes"] -= _size(session, session.frames[key])


def _size(session: Session, planned: Planned) -> int:
    """Bytes to read and one, as a measure of the work."""
    places = [session.job.folder / path for path in planned.paths]
    return 1 + sum(place.stat().st_size for place in places if place.is_file())


def _pixels(session: Session, planned: Planned) -> int:
    return sum(guessed_pixels(session.job.folder / path) for path in planned.paths)


def _keep(session: Session, key: FrameKey, result: SurveyResult) -> None:
    planned = session.frames[key]
    session.stamps.update((path, result.stamps[path]) for path in planned.paths)
    fingerprint = session.source_fingerprint_of(planned)
    session.surveyed[key] = Surveyed(fingerprint, result.facts.width, result.facts.height)
    given = dict(planned.surveys)
    seen = {survey_fingerprint(fingerprint, name, given[name]): text for name, text in result.seen.items()}
    session.ledger.put_survey(fingerprint, result.facts, result.stamps, seen)
    session.run_log.event("looked", key, seconds=result.seconds, peak_bytes=result.peak_bytes)
