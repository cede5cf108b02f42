"""Last phase of a run: finish the frames that are not finished, and keep in the ledger what they became."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from panopipe.files.below import remove_below
from panopipe.frame import FrameFacts, FrameKey
from panopipe.pool.budget import disk_remark
from panopipe.pool.dispatch import dispatch_twice
from panopipe.run.pace import TimeLeft
from panopipe.run.plan import DOING, Planned, frame_fingerprint, picture_fingerprints
from panopipe.run.remarks import sink_remarks
from panopipe.run.session import Session
from panopipe.run.tasks import FinishResult, FinishTask, Made, NeighbourTask
from panopipe.run.work import finish
from panopipe.state.file_stamp import FileStamp, hashed
from panopipe.state.folders import set_aside
from panopipe.state.ledger import Entry
from panopipe.state.record import FrameRecord
from panopipe.state.serialization import digest

_AT_ONCE = 256
"""Frames that are put into the ledger in one transaction; held until then."""


def finish_all(session: Session) -> None:
    """Finish the frames that are wanted and not finished yet; what may pass is tried once more at the end."""
    wanted = (key for key in session.surveyed if key in session.wanted)
    to_do = [key for key in wanted if not _is_finished(session, key, finish_fingerprint(session, key))]
    if not to_do:
        return
    if remark := disk_remark(session.job.folder, pixels_of(session, to_do)):
        session.run_log.line(remark)
    for remark in sink_remarks(session.frames, ((key, session.facts(key)) for key in to_do)):
        session.run_log.line(remark)
    _unmark(session, to_do)
    pace = Pace(session, to_do)

    def task(key: FrameKey) -> FinishTask:
        return finish_task(session, key, doing_file(key), made_before(session, key))

    def note(key: FrameKey, error: str) -> None:
        session.run_log.line(f"{key}: {error} (will be tried once more at the end)")

    executors = session.call(pixels_of(session, to_do), "finish"), session.call_one
    for key, task_result in dispatch_twice(executors, finish, to_do, task, pace.tick, note):
        if task_result.result is None:
            session.failed(key, task_result.error, task_result.cause)
        else:
            _keep(session, key, task_result.result)
        pace.done(key)


def finish_task(session: Session, key: FrameKey, doing: str, made: Made | None = None) -> FinishTask:
    """All that a worker needs to finish a frame; `doing` is the file in which it says what it is at.

    `made` is what is there already, if only its metadata is to be written.
    """
    planned = session.frames[key]
    neighbours = {
        other: NeighbourTask(
            session.frames[other].files(session.job, session.surveyed[other].source),
            session.frames[other].chain,
            session.solutions(other),
        )
        for other in session.neighbours(session.outlines(key), key)
    }
    return FinishTask(
        planned.files(session.job, session.surveyed[key].source),
        planned.chain,
        {path: session.stamps[path] for path in planned.paths},
        session.solutions(key),
        planned.pictures,
        session.job.rights,
        neighbours,
        planned.target,
        doing,
        pixels=session.surveyed[key].pixels,
        made=made,
    )


class Pace:
    """How far the work is, for the progress line: what is done by pixels, and what time is left."""

    def __init__(self, session: Session, keys: Sequence[FrameKey]) -> None:
        self._session, self._count, self._left = session, len(keys), len(keys)
        self._pixels = sum(pixels_of(session, keys))
        self._time = TimeLeft(self._pixels)

    def done(self, key: FrameKey) -> None:
        """Count a frame as done."""
        self._left -= 1
        self._pixels -= self._session.surveyed[key].pixels

    def tick(self, since: Mapping[FrameKey, float]) -> None:
        """Say what is going on."""
        doing = ", ".join(f"{key} {self._doing(key)}".strip() for key in list(since)[:4])
        left = f"{self._left} of {self._count} left"
        self._session.run_log.progress(f"{doing}: {left}{self._time.said(self._pixels)}")

    def _doing(self, key: FrameKey) -> str:
        try:
            return (self._session.job.folder / doing_file(key)).read_text(encoding="utf-8")[:40]
        except (OSError, ValueError):
            return ""


def doing_file(key: FrameKey) -> str:
    """The file in which the worker of a frame says what it is at, relative to the job folder."""
    return f"{DOING}/{int(digest(*key)[:15], 16)}"  # what is left there is told by its digits alone


def pixels_of(session: Session, keys: Sequence[FrameKey]) -> list[int]:
    """Sizes of frames that were looked at."""
    return [session.surveyed[key].pixels for key in keys]


def finish_fingerprint(session: Session, key: FrameKey) -> str:
    """Fingerprint of all that makes a frame's finished files; it must have been looked at."""
    planned, source = session.frames[key], session.surveyed[key].source
    return frame_fingerprint(planned, source, rights=session.job.rights, **_all_else(session, key))


def made_before(session: Session, key: FrameKey) -> Made | None:
    """Finished files that hold the pictures that are wanted, if all do and their metadata can be written.

    The morning after it is a word in the rights that changes, and no picture need be made for it.
    """
    entry = session.ledger.entry(key)
    if entry is None or entry.record.capture is None:
        return None
    planned, source = session.frames[key], session.surveyed[key].source
    wanted = picture_fingerprints(planned, source, **_all_else(session, key))
    files = {path: entry.files[path] for path in planned.outputs if path in entry.files}
    if files.keys() != wanted.keys() or any(
        entry.record.pictures.get(path) != made_of for path, made_of in wanted.items()
    ):
        return None
    sound = all(_is_as_made(session.job.folder / path, stamp) for path, stamp in files.items())
    made = {path.removeprefix(planned.target): stamp for path, stamp in files.items()}
    return Made(planned.target, made, entry.record.capture) if sound else None


def _all_else(session: Session, key: FrameKey) -> dict[str, Any]:
    """What a frame's fingerprints want to know beside its own files and stages."""
    planned, outlines = session.frames[key], session.outlines(key)
    return {
        "outlines": outlines,
        "neighbours": {
            other: (session.frames[other], session.surveyed[other].source, session.outlines(other))
            for other in session.neighbours(outlines, key)
        },
        "stamps": {
            name: session.stamp(name) for names in planned.pictures.values() for name in names.values()
        },
    }


def _is_as_made(place: Path, stamp: FileStamp) -> bool:
    return stamp.same_stat(place) or (place.is_file() and hashed(place).sha256 == stamp.sha256)


def _is_finished(session: Session, key: FrameKey, fingerprint: str) -> bool:
    """Whether the finished files are there, made of the very same; one changed by hand is left alone."""
    entry, planned = session.ledger.entry(key), session.frames[key]
    if entry is None or entry.fingerprint != fingerprint or set(entry.files) != set(planned.outputs):
        return False
    stamps = dict(entry.files)
    for path, stamp in entry.files.items():
        place = session.job.folder / path
        if not place.is_file():
            return False
        if not stamp.same_stat(place):
            now = hashed(place)
            if now.sha256 == stamp.sha256:
                stamps[path] = now
            else:
                said = f"{path} was changed by hand and stays so; delete it to have it made again"
                session.run_log.line(said)
    record = replace(entry.record, settings=planned.effective())
    if record != entry.record or stamps != dict(entry.files):
        session.ledger.put({key: Entry(fingerprint, record, stamps)})
    session.summary.already.append(key)
    return True


def _unmark(session: Session, keys: Iterable[FrameKey]) -> None:
    """From here until it is finished a frame counts as not finished, whatever happens.

    What was changed by hand is set aside first, as the frame is about to be made again.
    """
    folder, unmarked = session.job.folder, dict[FrameKey, Entry]()
    for key in keys:
        entry = session.ledger.entry(key)
        if entry is None or not entry.fingerprint:
            continue
        for path, stamp in entry.files.items():
            place = folder / path
            if place.is_file() and not stamp.same_stat(place) and hashed(place).sha256 != stamp.sha256:
                kept = set_aside(folder, path, session.run_log.name)
                session.run_log.line(f"{path} was changed by hand; it goes to {kept} and is made again")
        unmarked[key] = replace(entry, fingerprint="")
        if len(unmarked) == _AT_ONCE:
            session.ledger.put(unmarked)
            unmarked = {}
    session.ledger.put(unmarked)


def _keep(session: Session, key: FrameKey, result: FinishResult) -> None:
    before, known = session.ledger.entry(key), _all_else(session, key)
    planned, source = session.frames[key], session.surveyed[key].source
    fingerprint = frame_fingerprint(planned, source, rights=session.job.rights, **known)
    if result.relabelled and before:
        record = replace(before.record, settings=planned.effective(), outputs=tuple(result.files))
        said = f"{key}: title, rights or position written anew, the picture stays"
    else:
        record = _record(planned, session.facts(key), result)
        said = f"{key}: finished in {result.wall_seconds:.1f} s"
    record = replace(record, pictures=picture_fingerprints(planned, source, **known))
    session.ledger.put({key: Entry(fingerprint, record, result.files)})
    for path, stamp in before.files.items() if before else ():
        place = session.job.folder / path
        if path not in result.files and stamp.same_stat(place):
            remove_below(session.job.folder, path)  # a width that is no longer asked for
    session.summary.finished.append(key)
    session.run_log.note(said)
    session.run_log.event(
        "finished",
        key,
        seconds=result.stage_seconds,
        wall_seconds=result.wall_seconds,
        peak_bytes=result.peak_bytes,
        outputs=list(result.files),
        review_reasons=result.review_reasons,
    )


def _record(planned: Planned, facts: FrameFacts, result: FinishResult) -> FrameRecord:
    return FrameRecord(
        planned.key,
        "finished",
        planned.paths,
        tuple(result.files),
        planned.before,
        facts.width,
        facts.height,
        planned.effective(),
        planned.settings.order,
        result.notes,
        result.review_reasons,
        result.stage_seconds,
        result.peak_bytes,
        facts.capture.taken or "",
        set_aside=planned.entry.set_aside,
        capture=result.capture,
    )
