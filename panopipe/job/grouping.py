"""Files that are one frame together: said by hand in the job file, or recognised by an earlier run.

What was recognised is kept in `JOB/.panopipe/groups.json`, so that every command sees the same frames. It
is believed only while the files are the ones that were looked at.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from panopipe.files.below import write_below
from panopipe.frame import FrameKey
from panopipe.job.model import EXPOSURES, JOB_FILE, TAKES, WORKING, FrameEntry, Group, Job
from panopipe.stage import JudgedTake, TakeFault

KEPT = f"{WORKING}/groups.json"
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


def grouped(job: Job, recognised: Iterable[Group], remarks: Sequence[str] = ()) -> Job:
    """A job with files joined into frames: those of its job file, and those that were recognised.

    A file is of one frame only: what is said by hand comes first.
    """
    alone = job.alone or job.frames
    entries = dict(alone)
    by_path = {file.path: key for key, entry in entries.items() for file in entry.files}
    groups: list[Group] = []
    taken: set[str] = set()
    known = list(recognised)
    by_hand = [_as_judged(group, known) for group in job.by_hand]
    for given in (*by_hand, *known):
        group = _as_preferred(given, job.preferred, by_path)
        if len(group.files) < 2 or any(path in taken or path not in by_path for path in group.files):
            continue
        if not group.by_hand and any(by_path[path] in job.separate for path in group.files):
            continue
        taken.update(group.files)
        groups.append(group)
        first, *others = (by_path[path] for path in group.files)
        files = tuple(file for path in group.used for file in entries[by_path[path]].files)
        entries[first] = replace(entries[first], files=files, set_aside=group.set_aside)
        for key in others:
            del entries[key]
    return replace(
        job,
        frames=entries if groups else alone,
        alone=alone,
        groups=tuple(groups),
        remarks=(*job.remarks, *remarks),
    )


def _as_judged(group: Group, recognised: Iterable[Group]) -> Group:
    """Takes that the job file names, with what was found on them."""
    if group.kind != TAKES:
        return group
    judged = [one for one in recognised if one.kind == TAKES and one.files == group.files]
    return replace(judged[0], by_hand=True) if judged else group


def _as_preferred(group: Group, preferred: Iterable[FrameKey], by_path: Mapping[str, FrameKey]) -> Group:
    """Takes of which the job file prefers one, with that one chosen."""
    if group.kind != TAKES:
        return group
    keys = {by_path[path]: path for path in group.files if path in by_path}
    wanted = next((keys[key] for key in preferred if key in keys), None)
    if wanted is None:
        return group
    said = (
        f"{len(group.files)} takes of one stand: {by_path[wanted].name} is finished, as {JOB_FILE} prefers it"
    )
    return replace(group, chosen=wanted, said=said, doubt="", preferred=True)


def looked_at(job: Job) -> dict[str, dict[str, FrameEntry]]:
    """By room: files, by path, that are to be looked at.

    Among them frames may be recognised. Exposures that the job file puts together are settled and left out;
    of takes it still has to be found which is best.
    """
    settled = {path for group in job.by_hand if group.kind == EXPOSURES for path in group.files}
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
    groups = tuple(_read_group(one) for one in told["groups"])
    return Recognised(str(told["rule"]), files, groups, tuple(map(str, told["remarks"])))


def _read_group(told: Any) -> Group:
    files, chosen = tuple(map(str, told["files"])), str(told.get("chosen", ""))
    if chosen and chosen not in files:
        raise ValueError("chosen is none of the files")
    takes = tuple(_read_take(one) for one in told.get("takes", ()))
    return Group(
        str(told["kind"]),
        files,
        str(told["said"]),
        chosen=chosen,
        takes=takes,
        doubt=str(told.get("doubt", "")),
    )


def _read_take(told: Any) -> JudgedTake:
    faults = tuple(
        TakeFault(
            str(one["kind"]),
            float(one["figure"]),
            str(one["unit"]),
            None if one["yaw_deg"] is None else float(one["yaw_deg"]),
            None if one["pitch_deg"] is None else float(one["pitch_deg"]),
            bool(one["private"]),
        )
        for one in told["faults"]
    )
    return JudgedTake(faults, base64.b64decode(told["picture"], validate=True))


def _plain(group: Group) -> dict[str, Any]:
    """A group as JSON holds it."""
    plain: dict[str, Any] = {"kind": group.kind, "files": group.files, "said": group.said}
    if group.kind == TAKES:
        takes = [
            {
                "faults": [asdict(one) for one in take.faults],
                "picture": base64.b64encode(take.picture).decode(),
            }
            for take in group.takes
        ]
        plain |= {"chosen": group.chosen, "doubt": group.doubt, "takes": takes}
    return plain


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
            "groups": [_plain(group) for group in one.groups],
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
