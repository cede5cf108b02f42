"""Changes of recipe files that leave the photographer's comments and order as they are."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator, Mapping, MutableMapping
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.items import Item

from panopipe.errors import Fault, JobError
from panopipe.files.below import write_below
from panopipe.files.file_lock import waited_lock
from panopipe.files.toml import MOST_BYTES, parse_toml
from panopipe.frame import FrameKey
from panopipe.job import RECIPE_FILE, WORKING, Job, inside, nearest
from panopipe.recipe.layers import Layer, check_layer, frame_file, read_layer, room_file

_LOCK = f"{WORKING}/settings.lock"
JOB_WORD = "job"
"""What a user calls the whole job by, where a room or a frame could be named."""


@dataclass(frozen=True, slots=True)
class Change:
    """A change of one recipe file, not yet written.

    Attributes
    ----------
    file : str
        Relative to the job folder.
    lines : tuple of str
        What changes: `- [tone] exposure_ev = 0.3`, `+ [tone] exposure_ev = 0.5`. Empty if nothing does.
    content : str
        The file as it will be.
    before : str or None
        The file as it is; None if there is none.
    """

    file: str
    lines: tuple[str, ...]
    content: str
    before: str | None = None

    def text(self) -> str:
        """The change in one line."""
        return "; ".join(self.lines)


def set_values(job: Job, where: str, assignments: Iterable[str]) -> Change:
    """Set values, all or none, and write them.

    Parameters
    ----------
    job : Job
        The job.
    where : str
        "job", a room, or a room and frame as ROOM/FRAME.
    assignments : iterable of str
        `stage.key=value` each; the value as TOML spells it, text also without quotes.

    Raises
    ------
    JobError
        If the value or the file is wrong; nothing is written.
    ValueError
        If the assignment or the place cannot be understood.
    """
    tables: dict[str, dict[str, Any]] = {}
    for assignment in assignments:
        name, equals, text = assignment.partition("=")
        table, dot, key = name.strip().partition(".")
        if not (equals and dot and table and key):
            raise ValueError(f"{assignment}: write STAGE.KEY=VALUE, such as tone.exposure_ev=0.3")
        tables.setdefault(table, {})[key] = _value(text.strip())
    with settings_locked(job):
        change = changed(job, file_of(job, where), tables, {})
        if change.lines:
            write_change(job, change)
    return change


def settings_locked(job: Job) -> AbstractContextManager[None]:
    """Keep other commands from changing settings: what is read inside stays until it is written.

    Raises
    ------
    BlockingIOError
        If another command holds them for long.
    ValueError, OSError
        If the lock cannot be opened.
    """
    return waited_lock(job.folder, _LOCK)


def carried(job: Job, source: str, rooms: Iterable[str], stages: Iterable[str]) -> tuple[Change, ...]:
    """Changes that give rooms the settings of another room (or of a frame); nothing is written.

    For each stage that is carried, a room's file then says what the source's says, and no more.

    Raises
    ------
    JobError
        If a file is wrong.
    ValueError
        If a room, frame or stage is not known.
    """
    said = _said(job, source)
    tables = dict.fromkeys(stages) or dict.fromkeys(said)
    for stage in tables:
        if stage not in said:
            raise ValueError(f"{source} sets nothing for {stage}{nearest(stage, said)}")
    new = {stage: said[stage] for stage in tables}
    return tuple(_carried_to(job, job.room(name), source, new) for name in dict.fromkeys(rooms))


def _carried_to(job: Job, room: str, source: str, new: Mapping[str, Mapping[str, Any]]) -> Change:
    if room == source:
        raise ValueError(f"{room} is the room to carry from")
    file = room_file(room)
    there = _tables(_layer(job, file))
    gone = {stage: set(there.get(stage, {})) - set(values) for stage, values in new.items()}
    return changed(job, file, new, gone)


def file_of(job: Job, where: str) -> str:
    """Recipe file of the job, a room or a frame.

    Raises
    ------
    ValueError
        If there is no such room or frame.
    """
    if where == JOB_WORD and where not in job.rooms:
        return RECIPE_FILE
    if where in job.rooms:
        return room_file(where)
    return frame_file(_frame(job, where, (JOB_WORD,)))


def _frame(job: Job, where: str, others: tuple[str, ...] = ()) -> FrameKey:
    """The frame of that name, where a room or one of `others` could have been named, too."""
    try:
        return job.key(where)
    except ValueError:
        if job.is_of_unread(where):
            raise
        places = [*others, *filter(None, job.rooms)]
        likely = nearest(where, [*places, *map(str, job.frames)])
        raise ValueError(
            f"no room or frame {where} in this job{likely} (known: {', '.join(places)})"
        ) from None


def changed(
    job: Job, file: str, new: Mapping[str, Mapping[str, Any]], gone: Mapping[str, Iterable[str]]
) -> Change:
    """Work out a change of a recipe file: keys to set by table, and keys to remove.

    Raises
    ------
    JobError
        If the file is wrong before or after the change.
    """
    path = job.folder / file
    if not inside(job.folder, path):
        raise ValueError(f"{file} leads out of the job folder")
    _layer(job, file)  # a wrong file is not made worse
    held = _text(path)
    before = held or ""
    document = tomlkit.parse(before)
    lines = list(_edit(document, new, gone))
    content = tomlkit.dumps(document)
    faults: list[Fault] = []
    check_layer(job, file, parse_toml(content.encode()), faults)
    faults = [replace(fault, line=0) for fault in faults]  # the lines are those of a file not written
    if len(content) > MOST_BYTES:
        faults.append(Fault(file, 0, "would grow too large"))
    if faults:
        raise JobError(faults)
    return Change(file, tuple(lines), content if lines else before, held)


def _text(path: Path) -> str | None:
    return path.read_text(encoding="utf-8-sig") if path.is_file() else None


def write_change(job: Job, change: Change) -> None:
    """Write a change, whole or not at all.

    Raises
    ------
    ValueError
        If the file is another by now than the one that the change was worked out from.
    OSError
        If the file cannot be written.
    """
    if _text(job.folder / change.file) != change.before:
        raise ValueError(f"{change.file} was changed meanwhile; nothing is written: give the command again")
    write_below(job.folder, change.file, change.content.encode())


def _edit(
    document: MutableMapping[str, Any],
    new: Mapping[str, Mapping[str, Any]],
    gone: Mapping[str, Iterable[str]],
) -> Iterator[str]:
    for table, keys in gone.items():
        for key in sorted(keys):
            yield f"- [{table}] {key} = {_spelled(document[table][key])}"
            del document[table][key]
    for table, values in new.items():
        for key, value in values.items():
            here = document.get(table)
            old = here.get(key) if here is not None else None
            plain: Any = old.unwrap() if isinstance(old, Item) else old
            if plain == value and type(plain) is type(value):
                continue
            if old is not None:
                yield f"- [{table}] {key} = {_spelled(plain)}"
            yield f"+ [{table}] {key} = {_spelled(value)}"
            if here is None:
                document[table] = tomlkit.table()
            document[table][key] = value


def _layer(job: Job, file: str) -> Layer | None:
    faults: list[Fault] = []
    layer = read_layer(job, file, faults)
    if faults:
        raise JobError(faults)
    return layer


def _tables(layer: Layer | None) -> dict[str, dict[str, Any]]:
    found: dict[str, dict[str, Any]] = {}
    for (table, key), (value, _) in layer.values.items() if layer else ():
        found.setdefault(table, {})[key] = list(value) if isinstance(value, tuple) else value
    return found


def _said(job: Job, source: str) -> dict[str, dict[str, Any]]:
    """What the files of a room, or of a frame and its room, say beyond the job's recipe."""
    if source in job.rooms:
        files = [room_file(source)]
    else:
        key = _frame(job, source)
        files = [room_file(key.room), frame_file(key)] if key.room else [frame_file(key)]
    found: dict[str, dict[str, Any]] = {}
    for file in files:
        for table, values in _tables(_layer(job, file)).items():
            found.setdefault(table, {}).update(values)
    if not found:
        raise ValueError(f"{source} has no settings of its own to carry; the job's recipe serves all rooms")
    return found


def _value(text: str) -> Any:
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text


def _spelled(value: Any) -> str:
    return str(tomlkit.item(value).as_string())
