"""Files that are one frame together: said by hand in the job file, or recognised by an earlier run.

What was recognised is kept in `JOB/.panopipe/together.json`, so that every command sees the same frames. It
is believed only while the files are the ones that were looked at.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from panopipe.files.below import write_below
from panopipe.frame import FrameKey
from panopipe.job.model import WORKING, FrameEntry, Group, Job

KEPT = f"{WORKING}/together.json"
_FORMAT = "panopipe frames 1"
_MOST_BYTES = 1 << 24


@dataclass(frozen=True, slots=True)
class Recognised:
    """What was found among the files of one room.

    Attributes
    ----------
    rule : str
        What recognised it, with its version.
    files : mapping of str to (size, time in ns)
        All files that were looked at, as they were.
    groups : tuple of Group
        Files that are one frame.
    remarks : tuple of str
        What a person should know, one line each.
    """

    rule: str
    files: Mapping[str, tuple[int, int]]
    groups: tuple[Group, ...] = ()
    remarks: tuple[str, ...] = ()


def put_together(job: Job, recognised: Iterable[Group], remarks: Sequence[str] = ()) -> Job:
    """A job with files joined into frames: those of its job file, and those that were recognised.

    A file is of one frame only: what is said by hand comes first.
    """
    entries = dict(job.alone or job.frames)
    by_path = {file.path: key for key, entry in entries.items() for file in entry.files}
    groups: list[Group] = []
    taken: set[str] = set()
    for group in (*job.by_hand, *recognised):
        if len(group.files) < 2 or any(path in taken or path not in by_path for path in group.files):
            continue
        if not group.by_hand and any(by_path[path] in job.separate for path in group.files):
            continue
        taken.update(group.files)
        groups.append(group)
        first, *others = (by_path[path] for path in group.files)
        files = tuple(file for key in (first, *others) for file in entries[key].files)
        entries[first] = replace(entries[first], files=files)
        for key in others:
            del entries[key]
    return replace(
        job,
        frames=entries,
        alone=job.alone or job.frames,
        groups=tuple(groups),
        remarks=(*job.remarks, *remarks),
    )


def looked_at(job: Job) -> dict[str, dict[str, FrameEntry]]:
    """By room: files, by path, among which frames may be recognised; those settled by hand are left out."""
    settled = {path for group in job.by_hand for path in group.files}
    found: dict[str, dict[str, FrameEntry]] = {}
    for key, entry in (job.alone or job.frames).items():
        path = entry.files[0].path
        if not entry.refused and path not in settled and key not in job.separate:
            found.setdefault(key.room, {})[path] = entry
    return found


def stat_of(folder: Path, paths: Iterable[str]) -> dict[str, tuple[int, int]]:
    """Size and time of files, those left out that cannot be seen."""
    found = {}
    for path in paths:
        try:
            stat = (folder / path).stat()
        except OSError:
            continue
        found[path] = (stat.st_size, stat.st_mtime_ns)
    return found


def read_recognised(folder: Path) -> dict[str, Recognised]:
    """What earlier runs recognised, by room; nothing where it is missing or damaged."""
    path = folder / KEPT
    try:
        if path.is_symlink() or path.stat().st_size > _MOST_BYTES:
            return {}
        held = json.loads(path.read_bytes())
        if held["format"] != _FORMAT:
            return {}
        return {str(room): _read(told) for room, told in held["rooms"].items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError, OverflowError):
        return {}


def _read(told: Any) -> Recognised:
    files = {str(path): (int(size), int(time)) for path, (size, time) in told["files"].items()}
    groups = tuple(
        Group(str(one["kind"]), tuple(map(str, one["files"])), str(one["said"])) for one in told["groups"]
    )
    return Recognised(str(told["rule"]), files, groups, tuple(map(str, told["remarks"])))


def keep_recognised(folder: Path, recognised: Mapping[str, Recognised]) -> None:
    """Keep what was recognised, for the commands that follow.

    Raises
    ------
    OSError
        If it cannot be written.
    ValueError
        If a link leads out of the job folder there.
    """
    rooms = {
        room: {
            "rule": one.rule,
            "files": {path: list(stat) for path, stat in one.files.items()},
            "groups": [{"kind": g.kind, "files": g.files, "said": g.said} for g in one.groups],
            "remarks": one.remarks,
        }
        for room, one in recognised.items()
    }
    text = json.dumps({"format": _FORMAT, "rooms": rooms}, ensure_ascii=False, indent=1)
    write_below(folder, KEPT, text.encode(errors="surrogateescape"), lasting=False)


def still_true(one: Recognised, rule: str, stats: Mapping[str, tuple[int, int]]) -> bool:
    """Whether what was recognised is of these very files, by this very rule."""
    return one.rule == rule and dict(one.files) == dict(stats)


def known_groups(job: Job) -> list[Group]:
    """Groups that an earlier run recognised and whose files have not changed since, whatever the rule."""
    rooms = looked_at(job)
    found: list[Group] = []
    for room, one in read_recognised(job.folder).items():
        here = rooms.get(room, {})
        if one.groups and all(path in here for group in one.groups for path in group.files):
            paths = [path for group in one.groups for path in group.files]
            if stat_of(job.folder, paths) == {path: one.files.get(path) for path in paths}:
                found += one.groups
    return found


def frames_of(job: Job, group: Group) -> tuple[FrameKey, ...]:
    """Names that the files of a group had each for itself, the frame's own first."""
    by_path = {entry.files[0].path: key for key, entry in (job.alone or job.frames).items()}
    return tuple(by_path[path] for path in group.files)
