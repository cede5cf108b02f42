"""Accept doubts, and take that back: the one place that writes `accepted.toml`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import tomlkit
from tomlkit.items import AoT, Table

from panopipe.files.below import write_below
from panopipe.files.file_lock import waited_lock
from panopipe.files.toml import TomlError
from panopipe.frame import FrameKey
from panopipe.job import WORKING, Job, nearest
from panopipe.job.places import place
from panopipe.review.accepted import ACCEPTED, Acceptance, acceptable, read_accepted
from panopipe.review.finding import Finding, JobReview
from panopipe.review.results import rounded

_LOCK = f"{WORKING}/accepted.lock"
_HEAD = (
    "Doubts of the review that somebody looked at and accepted; panopipe accept writes here.",
    "An entry that is taken out makes its doubt show again.",
)


Doubt = tuple[str, Finding]
"""The frame, empty for the job as a whole, and what was found."""


def accept(job: Job, review: JobReview, where: str, checks: Sequence[str] = ()) -> list[Doubt]:
    """Accept doubts and write it down; return them.

    Parameters
    ----------
    job : Job
        The job.
    review : JobReview
        Its findings as they are now.
    where : str
        ROOM/FRAME; or a room, for all its frames; or "job", for all frames and what concerns none.
    checks : sequence of str
        Short names of checks; of one frame all doubts if empty.

    Raises
    ------
    ValueError
        If there is no such place, no such doubt, or `accepted.toml` is damaged; nothing is written.
    OSError
        If it cannot be written.
    """
    doubts = _chosen(job, review, where, checks)
    with waited_lock(job.folder, _LOCK):
        held = _read(job)
        new = [doubt for doubt in doubts if not any(one.covers(*doubt) for one in held)]
        _write(job, gone=new, new=[_acceptance(*doubt) for doubt in new])
    return doubts


def take_back(job: Job, review: JobReview, where: str, checks: Sequence[str] = ()) -> list[Doubt]:
    """Make doubts that were accepted show again; return them.

    Raises
    ------
    ValueError, OSError
        As `accept`.
    """
    doubts = _chosen(job, review, where, checks)
    with waited_lock(job.folder, _LOCK):
        held = _read(job)
        known = [doubt for doubt in doubts if any(one.is_of(*doubt) for one in held)]
        if not known:
            raise ValueError(f"nothing of {where} is accepted")
        _write(job, gone=known, new=[])
    return known


def _chosen(job: Job, review: JobReview, where: str, checks: Sequence[str]) -> list[Doubt]:
    keys = _keys(job, where)
    doubts = [(str(key or ""), finding) for key in keys for finding in acceptable(review, key)]
    said = where if len(keys) > 1 else str(keys[0])
    if not doubts:
        raise ValueError(f"{said}: {_why_none(review, keys)}")
    names = list(dict.fromkeys(finding.check for _, finding in doubts))
    known = f"(there: {', '.join(names)})"
    for check in checks:
        if check not in names:
            raise ValueError(f"{said}: no doubt named {check}{nearest(check, names)} {known}")
    if len(keys) > 1 and not checks:
        raise ValueError(f"{said}: for more than one frame, say which check to accept {known}")
    return [(frame, finding) for frame, finding in doubts if not checks or finding.check in checks]


def _keys(job: Job, where: str) -> list[FrameKey | None]:
    """Frames of a place; None stands for the job as a whole."""
    meant = place(job, where)
    if meant.frame is not None:
        return [meant.frame]
    return list(job.rooms[meant.room]) if meant.room else [None, *job.frames]


def _why_none(review: JobReview, keys: Sequence[FrameKey | None]) -> str:
    frame = next((one for one in review.frames if [one.key] == keys), None)
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


def _write(job: Job, *, gone: Sequence[Doubt], new: Sequence[Acceptance]) -> None:
    """Leave out what findings replace and add what is new; comments and order stay. Hold the lock."""
    path = job.folder / ACCEPTED
    document = (
        tomlkit.parse(path.read_bytes().decode("utf-8").removeprefix("\ufeff")) if path.exists() else _begun()
    )
    kept = AoT([])
    for entry in document.get("doubt", ()):
        if not any(_plain(entry).is_of(*one) for one in gone):
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
