"""Changes of recipe files that leave the photographer's comments and order as they are.

Each is worked out first and can be shown; `panopipe.recipe.journal` writes it, so that it can be taken back.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator, Mapping, MutableMapping
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.items import Comment, Item, Table

from panopipe.errors import Fault, JobError
from panopipe.files.file_lock import waited_lock
from panopipe.files.toml import BYTE_ORDER_MARK, MOST_BYTES, parse_toml
from panopipe.job import RECIPE_FILE, WORKING, Job, inside, nearest
from panopipe.job.places import Place, place
from panopipe.recipe.layers import Layer, check_layer, frame_file, of_room_and_frame, read_layer, room_file

_LOCK = f"{WORKING}/settings.lock"


@dataclass(frozen=True, slots=True)
class Change:
    """A change of one recipe file, not yet written.

    Attributes
    ----------
    file : str
        Relative to the job folder.
    lines : tuple of str
        What changes: `- [tone] exposure_ev = 0.3`, `+ [tone] exposure_ev = 0.5`. Empty if nothing does.
    content : str or None
        The file as it will be, letter by letter; None if it says nothing any longer and goes.
    before : str or None
        The file as it is; None if there is none.
    """

    file: str
    lines: tuple[str, ...]
    content: str | None
    before: str | None = None

    def text(self) -> str:
        """The change in one line."""
        return "; ".join(self.lines)


def assigned(assignments: Iterable[str]) -> dict[str, dict[str, Any]]:
    """Values by table and key.

    Parameters
    ----------
    assignments : iterable of str
        `stage.key=value` each; the value as TOML spells it, text also without quotes.

    Raises
    ------
    ValueError
        If one of them cannot be understood.
    """
    tables: dict[str, dict[str, Any]] = {}
    for assignment in assignments:
        name, equals, text = assignment.partition("=")
        table, dot, key = name.strip().partition(".")
        if not (equals and dot and table and key):
            raise ValueError(f"{assignment}: write STAGE.KEY=VALUE, such as tone.exposure_ev=0.3")
        tables.setdefault(table, {})[key] = _value(text.strip())
    return tables


def setting_change(job: Job, where: str, assignments: Iterable[str]) -> Change:
    """Work out a change that sets values for the job ("job"), a room, or a frame (ROOM/FRAME).

    Raises
    ------
    JobError
        If a value or the file is wrong.
    ValueError
        If an assignment or the place cannot be understood.
    """
    return changed(job, file_of(job, where), assigned(assignments), {})


def unsetting_change(job: Job, where: str, names: Iterable[str]) -> Change:
    """Work out a change that removes values, so that those above are inherited again.

    Parameters
    ----------
    job : Job
        The job.
    where : str
        "job", a room, or a room and frame as ROOM/FRAME.
    names : iterable of str
        `stage.key` each, or a stage for all that is set of it.

    Raises
    ------
    JobError
        If the file is wrong.
    ValueError
        If a name or the place is not known, or nothing there sets it.
    """
    file = file_of(job, where)
    said = _tables(_layer(job, file))
    gone: dict[str, set[str]] = {}
    for name in names:
        table, dot, key = name.strip().partition(".")
        keys = {key} if dot else set(said.get(table, ()))
        if not keys or not keys <= set(said.get(table, ())):
            known = [f"{stage}.{setting}" for stage, values in said.items() for setting in values]
            there = f"; it sets {', '.join(known)}" if known else "; it sets nothing"
            raise ValueError(f"{file} does not set {name}{nearest(name, known) or there}")
        gone.setdefault(table, set()).update(keys)
    return changed(job, file, {}, gone)


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
    return _file(place(job, where))


def _file(meant: Place) -> str:
    if meant.frame is not None:
        return frame_file(meant.frame)
    return room_file(meant.room) if meant.room else RECIPE_FILE


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
    held = text_of(path)
    before = (held or "").removeprefix(BYTE_ORDER_MARK)
    document = tomlkit.parse(before)
    lines = list(_edit(document, new, gone))
    content = tomlkit.dumps(document)
    check_content(job, file, content)
    if not lines:
        return Change(file, (), held, held)
    return Change(file, tuple(lines), as_held(content, held or "") if content.strip() else None, held)


def as_held(content: str, held: str) -> str:
    """The content with the line ends of the file as it was, and the mark it began with."""
    if "\r\n" in held:
        content = content.replace("\r\n", "\n").replace("\n", "\r\n")
    return BYTE_ORDER_MARK + content if held.startswith(BYTE_ORDER_MARK) else content


def check_content(job: Job, file: str, content: str) -> Layer:
    """Check what a recipe file would say, and return it as it would be read.

    Raises
    ------
    JobError
        If it is wrong; without lines, as they are those of a file not written.
    """
    faults: list[Fault] = []
    values = check_layer(job, file, parse_toml(content.removeprefix(BYTE_ORDER_MARK).encode()), faults)
    faults = [replace(fault, line=0) for fault in faults]
    if why := of_room_and_frame(job, file):
        faults.append(Fault(file, 0, why))
    if len(content.encode()) > MOST_BYTES:
        faults.append(Fault(file, 0, "would grow too large"))
    if faults:
        raise JobError(faults)
    return Layer(file, values)


def text_of(path: Path) -> str | None:
    """A recipe file letter by letter, line ends and all; None if there is none."""
    return path.read_bytes().decode("utf-8") if path.is_file() else None


def _edit(
    document: MutableMapping[str, Any],
    new: Mapping[str, Mapping[str, Any]],
    gone: Mapping[str, Iterable[str]],
) -> Iterator[str]:
    for table, keys in gone.items():
        for key in sorted(keys):
            yield f"- [{table}] {key} = {spelled(document[table][key])}"
            del document[table][key]
        if keys and isinstance(document[table], Table) and _is_bare(document[table]):
            del document[table]
    for table, values in new.items():
        for key, value in values.items():
            here = document.get(table)
            old = here.get(key) if here is not None else None
            plain: Any = old.unwrap() if isinstance(old, Item) else old
            if plain == value and type(plain) is type(value):
                continue
            if old is not None:
                yield f"- [{table}] {key} = {spelled(plain)}"
            yield f"+ [{table}] {key} = {spelled(value)}"
            if here is None:
                document[table] = tomlkit.table()
            document[table][key] = value


def _is_bare(table: Table) -> bool:
    """Whether a table holds neither values nor comments."""
    return not table.value and not any(isinstance(item, Comment) for _, item in table.value.body)


def _layer(job: Job, file: str) -> Layer | None:
    faults: list[Fault] = []
    layer = read_layer(job, file, faults)
    if faults:
        raise JobError(faults)
    return layer


def _tables(layer: Layer | None) -> dict[str, dict[str, Any]]:
    tables: dict[str, dict[str, Any]] = {}
    for (table, key), (value, _) in layer.values.items() if layer else ():
        tables.setdefault(table, {})[key] = list(value) if isinstance(value, tuple) else value
    return tables


def _said(job: Job, source: str) -> dict[str, dict[str, Any]]:
    """What the files of a room, or of a frame and its room, say beyond the job's recipe."""
    meant = place(job, source, whole=False)
    of_room = [room_file(meant.frame.room)] if meant.frame is not None and meant.frame.room else []
    files = [*of_room, _file(meant)]
    tables: dict[str, dict[str, Any]] = {}
    for file in files:
        for table, values in _tables(_layer(job, file)).items():
            tables.setdefault(table, {}).update(values)
    if not tables:
        raise ValueError(f"{source} has no settings of its own to carry; the job's recipe serves all rooms")
    return tables


def _value(text: str) -> Any:
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text


def spelled(value: Any) -> str:
    """A value as TOML spells it."""
    return str(tomlkit.item(value).as_string())
