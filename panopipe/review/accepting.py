"""Accept doubts, and take that back: the one place that writes `accepted.toml`."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import tomlkit
from tomlkit.items import AoT, Table

from panopipe.files.below import write_below
from panopipe.files.file_lock import waited_lock
from panopipe.files.toml import TomlError
from panopipe.frame import FrameKey
from panopipe.job import WORKING, Job, nearest
from panopipe.review.accepted import ACCEPTED, Acceptance, acceptable, read_accepted
from panopipe.review.finding import Finding, FrameReview, JobReview
from panopipe.review.results import rounded

JOB_WORD = "job"
"""What a user calls the job as a whole by, where a frame could be named."""
_LOCK = f"{WORKING}/accepted.lock"
_HEAD = (
    "Doubts of the review that somebody looked at and accepted; panopipe accept writes here.",
    "An entry that is taken out makes its doubt show again.",
)


@dataclass(frozen=True, slots=True)
class Change:
    """What was accepted, or taken back: the frame (empty for the job as a whole), and its findings."""

    frame: str
    findings: tuple[Finding, ...]


def accept(job: Job, review: JobReview, where: str, checks: Sequence[str] = ()) -> Change:
    """Accept the doubts of a frame or of the job, all or those of some checks, and write it down.

    Parameters
    ----------
    job : Job
        The job.
    review : JobReview
        Its findings as they are now.
    where : str
        ROOM/FRAME, or "job" for what concerns no single frame.
    checks : sequence of str
        Short names of checks; all doubts if empty.

    Raises
    ------
    ValueError
        If there is no such frame, no such doubt, or `accepted.toml` is damaged; nothing is written.
    OSError
        If it cannot be written.
    """
    key, findings = _chosen(job, review, where, checks)
    frame = str(key) if key else ""
    with waited_lock(job.folder, _LOCK):
        held = _read(job)
        covered = [f for f in findings if any(one.covers(frame, f) for one in held)]
        new = [finding for finding in findings if finding not in covered]
        _write(job, gone=[(frame, finding) for finding in new], new=[_acceptance(frame, f) for f in new])
    return Change(frame, tuple(findings))


def take_back(job: Job, review: JobReview, where: str, checks: Sequence[str] = ()) -> Change:
    """Make doubts that were accepted show again.

    Raises
    ------
    ValueError, OSError
        As `accept`.
    """
    key, findings = _chosen(job, review, where, checks)
    frame = str(key) if key else ""
    with waited_lock(job.folder, _LOCK):
        held = _read(job)
        known = [f for f in findings if any(one.is_of(frame, f) for one in held)]
        if not known:
            raise ValueError(f"nothing of {where} is accepted")
        _write(job, gone=[(frame, finding) for finding in known], new=[])
    return Change(frame, tuple(known))


def _chosen(
    job: Job, review: JobReview, where: str, checks: Sequence[str]
) -> tuple[FrameKey | None, list[Finding]]:
    key = None if where == JOB_WORD else job.key(where)
    doubts = acceptable(review, key)
    said = where if key is None else str(key)
    if not doubts:
        raise ValueError(f"{said}: {_why_none(review, key)}")
    names = [finding.check for finding in doubts]
    for check in checks:
        if check not in names:
            known = ", ".join(dict.fromkeys(names))
            raise ValueError(f"{said}: no doubt named {check}{nearest(check, names)} (there: {known})")
    return key, [finding for finding in doubts if not checks or finding.check in checks]


def _why_none(review: JobReview, key: FrameKey | None) -> str:
    frame: FrameReview | None = next((one for one in review.frames if one.key == key), None)
    if frame and frame.state == "failed":
        return f"failed ({frame.fault}); there is no picture to accept"
    if frame and frame.state == "waiting":
        return "not run yet; there is no picture to accept"
    return "no doubt to accept"


def _acceptance(frame: str, finding: Finding) -> Acceptance:
    return Acceptance(frame, finding.check, finding.sentence, rounded(finding.value), finding.look)


def _read(job: Job) -> tuple[Acceptance, ...]:
    try:
        return read_accepted(job.folder)
    except TomlError as error:
        place = f"{ACCEPTED}:{error.line}" if error.line else ACCEPTED
        raise ValueError(f"{place}: {error}; mend it or move it away, then accept again") from error


def _write(job: Job, *, gone: Iterable[tuple[str, Finding]], new: Sequence[Acceptance]) -> None:
    """Leave out what findings replace and add what is new; comments and order stay. Hold the lock."""
    path = job.folder / ACCEPTED
    document = (
        tomlkit.parse(path.read_bytes().decode("utf-8").removeprefix("\ufeff")) if path.exists() else _begun()
    )
    leaving = list(gone)
    kept = AoT([])
    for entry in document.get("doubt", ()):
        if not any(_plain(entry).is_of(*one) for one in leaving):
            kept.append(entry)
    for one in new:
        kept.append(_table(one))
    document.pop("doubt", None)
    if len(kept):
        document["doubt"] = kept
    write_below(job.folder, ACCEPTED, tomlkit.dumps(document).encode())


def _begun() -> tomlkit.TOMLDocument:
    document = tomlkit.document()
    for line in _HEAD:
        document.add(tomlkit.comment(line))
    document.add(tomlkit.nl())
    return document


def _plain(entry: Any) -> Acceptance:
    return Acceptance(
        str(entry.get("frame", "")), str(entry.get("check", "")), str(entry.get("sentence", ""))
    )


def _table(one: Acceptance) -> Table:
    table = tomlkit.table()
    if one.frame:
        table["frame"] = one.frame
    table["check"], table["sentence"] = one.check, one.sentence
    if one.value is not None:
        table["value"] = one.value
    if one.look is not None:
        table["look"] = [round(angle, 1) for angle in one.look]
    return table
