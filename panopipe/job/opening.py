"""Opening a job: its frames found, its job file read, both checked against one another."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path

from panopipe.frame import FrameKey
from panopipe.job.finding import find_entries
from panopipe.job.grouping import grouped, known_groups
from panopipe.job.job_file import JobFile
from panopipe.job.links_file import links_by_hand, north_by_hand
from panopipe.job.model import KINDS_IN_WORDS, ORIGINALS, FrameEntry, Job
from panopipe.job.names import awkward_names, folded, natural


def open_job(folder: Path | str) -> Job:
    """Find the frames of a job folder and read its job file.

    Raises
    ------
    ValueError
        If the folder holds no frames, or the job file is wrong (`JobError`, with every fault).
    OSError
        If the folder cannot be read.
    """
    given = Path(folder)
    if not given.is_dir():
        raise ValueError(f"{folder}: no such folder" if not given.exists() else f"{folder}: not a folder")
    root = given.resolve()
    remarks: list[str] = []
    unread: dict[str, str] = {}
    entries = list(find_entries(root, remarks, unread))
    remarks += [f"{name}: {why}; mend that, then run again" for name, why in unread.items()]
    facts = JobFile(root)
    frames = _without_twins(_in_order(map(facts.with_room, entries)), facts)
    job = Job(
        root,
        frames,
        facts.rights(),
        None,
        (*remarks, *awkward_names(part for key in frames for part in key if part)),
        unread,
        facts.rooms_in(unread),
    )
    job = replace(job, alone=frames, by_hand=facts.groups(job), separate=facts.separate(job))
    job = replace(job, preferred=facts.preferred(job), delivery=facts.delivery())
    job = grouped(job, known_groups(job))
    job = replace(job, links=links_by_hand(facts, job), north=north_by_hand(facts, job))
    reference = facts.finish(job)
    if not frames:
        raise ValueError(f"{folder}: {_why_empty(root, remarks)}")
    return replace(job, reference=reference, remarks=(*job.remarks, *facts.remarks))


def _why_empty(root: Path, remarks: list[str]) -> str:
    """Why there are no frames in a job folder, and where they would be found."""
    if (root / ORIGINALS).is_dir():
        line = f"no frames in {ORIGINALS}/ or in its room folders; put them there ({KINDS_IN_WORDS})"
    else:
        line = f"no frames here or in room folders; panopipe takes {KINDS_IN_WORDS}"
    return "; ".join([line, *remarks])


def _in_order(entries: Iterable[FrameEntry]) -> Iterator[FrameEntry]:
    """Frames as a person counts them, room by room: what they are sorted by is large."""
    rooms: dict[str, list[FrameEntry]] = {}
    for entry in entries:
        rooms.setdefault(entry.key.room, []).append(entry)
    for room in sorted(rooms, key=natural):
        yield from sorted(rooms[room], key=lambda entry: (natural(entry.key.name), entry.files[0].path))


def _without_twins(entries: Iterable[FrameEntry], facts: JobFile) -> dict[FrameKey, FrameEntry]:
    """Refuse a frame whose name differs from another's by case or accents' form only.

    Their finished files would be one file on the photographer's or the client's disk.
    """
    taken: dict[str, FrameEntry] = {}
    by_key: dict[FrameKey, FrameEntry] = {}
    for entry in entries:
        first = taken.setdefault(folded(str(entry.key)), entry)
        if entry.key in by_key:
            files = f"{by_key[entry.key].files[0].path} and {entry.files[0].path}"
            facts.fault(("rooms", entry.key.room), f"{files} would both be {entry.key}; rename one of them")
        elif first is not entry:
            why = f"would be finished under the name of {first.files[0].path}; rename one of them"
            by_key[entry.key] = replace(entry, refused=entry.refused or why)
        else:
            by_key[entry.key] = entry
    return by_key
