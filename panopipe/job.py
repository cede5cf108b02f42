"""A job folder: its rooms, its frames and the files they are made of. Reads names and small facts only.

JOB/originals/<room>/<frame>.dng    the frames; or the DNGs lie in JOB itself, flat or in room folders
JOB/job.toml                        facts of the shoot: title, rights, rooms, white reference
JOB/recipe.toml, JOB/overrides/     settings, see `panopipe.recipe`
JOB/finished/<room>/<frame>.jpg     what a run makes
"""

from __future__ import annotations

import difflib
import fnmatch
import os
import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from panopipe.files.toml import Document, TomlError, read_toml
from panopipe.frame import FrameKey
from panopipe.stage import Rights

ORIGINALS, FINISHED, OVERRIDES = "originals", "finished", "overrides"
JOB_FILE, RECIPE_FILE = "job.toml", "recipe.toml"
WORKING, REVIEW, LOGS, PROOFS, SET_ASIDE = ".panopipe", "review", "logs", "proofs", "set-aside"

KINDS = (".dng", ".tif", ".tiff", ".png", ".jpg", ".jpeg")
"""Files that can be a frame; of two with the same name the earlier kind is the frame."""

_OURS = {ORIGINALS, FINISHED, OVERRIDES, WORKING, REVIEW, LOGS, PROOFS, SET_ASIDE}
_WINDOWS_RESERVED = re.compile(r"(con|prn|aux|nul|com[0-9]|lpt[0-9])(\..*)?", re.IGNORECASE)
_WINDOWS_FORBIDDEN = re.compile(r'[<>:"\\|?*]|[. ]$')


@dataclass(frozen=True, slots=True)
class Fault:
    """Something wrong in a file of the job, for one line to the photographer."""

    file: str
    line: int
    text: str
    key: str = ""

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line else self.file
        return f"{place}: {self.key}: {self.text}" if self.key else f"{place}: {self.text}"


class JobError(ValueError):
    """All that is wrong with a job or its recipe; the job cannot start."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


@dataclass(frozen=True, slots=True)
class SourceFile:
    """One file of a frame.

    Attributes
    ----------
    path : str
        Relative to the job folder, with `/` between parts.
    role : str
        What the file is to the frame: "frame" when it is the whole of it. A frame of several files (the
        exposures of a bracket, several takes) tells them apart by this word.
    """

    path: str
    role: str = "frame"


@dataclass(frozen=True, slots=True)
class FrameEntry:
    """A frame of the job and the files it is made of.

    Attributes
    ----------
    key : FrameKey
        Room and name; the room is "" when no folder and no job file names one.
    files : tuple of SourceFile
        At least one.
    refused : str
        Why this frame cannot be taken, or empty. It costs this frame, not the job.
    """

    key: FrameKey
    files: tuple[SourceFile, ...]
    refused: str = ""


@dataclass(frozen=True, slots=True)
class Job:
    """A job folder as it was found.

    Attributes
    ----------
    folder : Path
        The job folder, absolute, links resolved.
    frames : mapping of FrameKey to FrameEntry
        In walking order: rooms and names sorted as a person counts (2 before 10).
    rights : Rights
        Title, rights and contact from the job file.
    reference : FrameKey or None
        The frame whose white the photographer trusts.
    remarks : tuple of str
        What was left out or deserves a word, one line each.
    """

    folder: Path
    frames: Mapping[FrameKey, FrameEntry]
    rights: Rights = field(default_factory=Rights)
    reference: FrameKey | None = None
    remarks: tuple[str, ...] = ()

    @property
    def title(self) -> str:
        """Title of the shoot, or empty."""
        return self.rights.title

    @property
    def rooms(self) -> dict[str, tuple[FrameKey, ...]]:
        """Frames of each room, in walking order."""
        found: dict[str, list[FrameKey]] = {}
        for key in self.frames:
            found.setdefault(key.room, []).append(key)
        return {room: tuple(keys) for room, keys in found.items()}

    def key(self, text: str) -> FrameKey:
        """Frame that `ROOM/FRAME` (or a frame's name that only one room has) names.

        Raises
        ------
        ValueError
            If there is none or more than one; the message names the nearest.
        """
        wanted = unicodedata.normalize("NFC", text)
        spelled = {unicodedata.normalize("NFC", str(key)): key for key in self.frames}
        if wanted in spelled:
            return spelled[wanted]
        alone = [key for key in self.frames if unicodedata.normalize("NFC", key.name) == wanted]
        if len(alone) == 1:
            return alone[0]
        if alone:
            raise ValueError(f"{text} is a frame of several rooms: {', '.join(str(key) for key in alone)}")
        raise ValueError(f"no frame {text} in this job{nearest(text, spelled)}")

    def room(self, text: str) -> str:
        """Room of that name.

        Raises
        ------
        ValueError
            If there is none; the message names the nearest.
        """
        for room in self.rooms:
            if unicodedata.normalize("NFC", room) == unicodedata.normalize("NFC", text):
                return room
        raise ValueError(f"no room {text} in this job{nearest(text, self.rooms)}")


def nearest(word: str, known: Iterable[str]) -> str:
    """Say which known name a wrong one most likely meant: `; did you mean tone?`, or nothing."""
    by_fold = {name.casefold(): name for name in known}
    found = difflib.get_close_matches(word.casefold(), by_fold, n=1, cutoff=0.5)
    return f"; did you mean {by_fold[found[0]]}?" if found else ""


def natural(text: str) -> tuple[object, ...]:
    """Sort key that counts as a person does: 2 before 10, case and accents' form aside."""
    folded = unicodedata.normalize("NFC", text).casefold()
    parts = re.split(r"(\d+)", folded)
    numbered = tuple((0, int(p), "") if p.isdecimal() and len(p) < 400 else (1, 0, p) for p in parts if p)
    return (*numbered, (-1, 0, text))


def inside(folder: Path, path: Path) -> bool:
    """Whether `path`, links followed, lies inside `folder` (which must be resolved)."""
    try:
        return path.resolve().is_relative_to(folder)
    except (OSError, RuntimeError, ValueError):  # a ring of links, or a name no file system takes
        return False


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
    entries = list(_entries(root, remarks))
    facts = _JobFile(root)
    entries = [facts.with_room(entry) for entry in entries]
    entries.sort(key=lambda entry: (natural(entry.key.room), natural(entry.key.name), entry.files[0].path))
    found = _without_twins(entries, facts)
    job = Job(root, found, facts.rights(), None, (*remarks, *_awkward_names(found)))
    reference = facts.finish(job)
    if not found:
        raise ValueError(
            f"{folder}: no frames here; panopipe looks for DNGs in originals/ROOM/, or in the folder"
        )
    return Job(root, found, job.rights, reference, job.remarks)


def _entries(root: Path, remarks: list[str]) -> Iterator[FrameEntry]:
    originals = root / ORIGINALS
    if originals.is_dir():
        yield from _in_folders(root, originals, remarks, KINDS)
        return
    folders = list(_room_folders(root, root, remarks))
    has_raw = any(file.suffix.lower() == ".dng" for _, room in folders for file in _files(room))
    kinds = (".dng",) if has_raw else KINDS
    if has_raw:
        names = {(room, f.stem) for room, path in folders for f in _files(path) if f.suffix.lower() == ".dng"}
        alone = [
            f.name
            for room, path in folders
            for f in _files(path)
            if f.suffix.lower() in KINDS and (room, f.stem) not in names
        ]
        if alone:
            remarks.append(
                f"left out, as the folder holds DNGs: {_some(alone)}; "
                f"put frames into {ORIGINALS}/ to take them all"
            )
    yield from _in_folders(root, root, remarks, kinds)


def _in_folders(root: Path, top: Path, remarks: list[str], kinds: tuple[str, ...]) -> Iterator[FrameEntry]:
    for room, folder in _room_folders(root, top, remarks):
        best: dict[str, Path] = {}
        for file in _files(folder):
            kind = file.suffix.lower()
            if kind in kinds:
                other = best.get(file.stem)
                if other is None or _rank(file) < _rank(other):
                    best[file.stem] = file
        for stem, file in best.items():
            path = file.relative_to(root).as_posix()
            why = (
                ""
                if inside(root, file)
                else "is a link that leads out of the job folder; copy the file instead"
            )
            if re.search(r"[\x00-\x1f\x7f]", path):
                why = "has control characters in its name; rename it"
            yield FrameEntry(FrameKey(room, stem), (SourceFile(path),), why)
        if top == folder:
            continue
        deeper = [d.name for d in _folders(folder) if any(_holds_frames(d))]
        if deeper:
            remarks.append(f"left out, as rooms are one folder deep: {folder.name}/{_some(deeper)}")


def _rank(file: Path) -> tuple[int, str]:
    return KINDS.index(file.suffix.lower()), file.name


def _room_folders(root: Path, top: Path, remarks: list[str]) -> Iterator[tuple[str, Path]]:
    yield "", top
    for folder in _folders(top):
        if top == root and folder.name.casefold() in _OURS:
            continue
        if not inside(root, folder):
            line = (
                f"left out: {folder.relative_to(root).as_posix()} is a link that leads out of the job folder"
            )
            if line not in remarks:
                remarks.append(line)
            continue
        yield folder.name, folder


def _folders(folder: Path) -> list[Path]:
    return sorted(Path(e.path) for e in _scan(folder) if _is_folder(e) and not e.name.startswith("."))


def _files(folder: Path) -> list[Path]:
    # Not is_file(): a link whose target is gone must fail by name, not vanish.
    return sorted(Path(e.path) for e in _scan(folder) if not _is_folder(e) and not e.name.startswith("."))


def _is_folder(entry: os.DirEntry[str]) -> bool:
    try:
        return entry.is_dir()
    except OSError:  # a ring of links
        return False


def _scan(folder: Path) -> list[os.DirEntry[str]]:
    with os.scandir(folder) as entries:
        return list(entries)


def _holds_frames(folder: Path) -> Iterator[Path]:
    return (file for file in _files(folder) if file.suffix.lower() in KINDS)


def _some(names: list[str]) -> str:
    return ", ".join(names[:4]) + (f" and {len(names) - 4} more" if len(names) > 4 else "")


def _without_twins(entries: list[FrameEntry], facts: _JobFile) -> dict[FrameKey, FrameEntry]:
    """Refuse a frame whose name differs from another's by case or accents' form only.

    Their finished files would be one file on the photographer's or the client's disk.
    """
    taken: dict[str, FrameEntry] = {}
    found: dict[FrameKey, FrameEntry] = {}
    for entry in entries:
        first = taken.setdefault(unicodedata.normalize("NFC", str(entry.key)).casefold(), entry)
        if entry.key in found:
            files = f"{found[entry.key].files[0].path} and {entry.files[0].path}"
            facts.fault(("rooms", entry.key.room), f"{files} would both be {entry.key}; rename one of them")
        elif first is not entry:
            why = f"would be finished under the name of {first.files[0].path}; rename one of them"
            found[entry.key] = replace(entry, refused=entry.refused or why)
        else:
            found[entry.key] = entry
    return found


def _awkward_names(frames: Mapping[FrameKey, FrameEntry]) -> Iterator[str]:
    for part in dict.fromkeys(part for key in frames for part in key if part):
        if _WINDOWS_RESERVED.fullmatch(part) or _WINDOWS_FORBIDDEN.search(part):
            yield f'the name "{part}" works here, but Windows does not take it; rename it before you deliver'


class _JobFile:
    """The job file, read once; gathers its faults until all of them can be told."""

    _RIGHTS = ("creator", "copyright", "contact_url", "contact_email")
    _TOP = ("title", "white_reference", "rights", "rooms")

    def __init__(self, root: Path) -> None:
        self.faults: list[Fault] = []
        self.document = self._read(root)
        self.patterns = self._rooms()
        self.used: set[tuple[str, str]] = set()
        self._check_names("", self.document.values, self._TOP)

    def _read(self, root: Path) -> Document:
        path = root / JOB_FILE
        if not path.is_file():
            return Document()
        if not inside(root, path):
            self.faults.append(Fault(JOB_FILE, 0, "is a link that leads out of the job folder"))
            return Document()
        try:
            return read_toml(path)
        except TomlError as error:
            self.faults.append(Fault(JOB_FILE, error.line, str(error)))
            return Document()

    def fault(self, path: tuple[str, ...], text: str) -> None:
        self.faults.append(Fault(JOB_FILE, self.document.line(*path), text, ".".join(path)))

    def _check_names(self, table: str, values: Mapping[str, object], known: tuple[str, ...]) -> None:
        for name in values:
            if name not in known:
                path = (table, name) if table else (name,)
                self.fault(path, f"unknown here{nearest(name, known)} (known: {', '.join(known)})")

    def _text(self, *path: str) -> str:
        value: object = self.document.values
        for name in path:
            value = value.get(name, "") if isinstance(value, Mapping) else ""
        if not isinstance(value, str):
            self.fault(path, "must be text in quotes")
            return ""
        return value

    def rights(self) -> Rights:
        table = self.document.values.get("rights", {})
        if not isinstance(table, Mapping):
            self.fault(("rights",), f"must be a table with {', '.join(self._RIGHTS)}")
            return Rights(self._text("title"))
        self._check_names("rights", table, self._RIGHTS)
        return Rights(self._text("title"), *(self._text("rights", name) for name in self._RIGHTS))

    def _rooms(self) -> list[tuple[str, str]]:
        table = self.document.values.get("rooms", {})
        if not isinstance(table, Mapping):
            self.fault(("rooms",), 'must be a table of lists: hall = ["frame-01", "frame-02"]')
            return []
        found = []
        for room, names in table.items():
            if not isinstance(names, list) or not all(isinstance(name, str) for name in names):
                self.fault(("rooms", room), 'must be a list of frames: ["frame-01", "frame-1*"]')
            elif not _plain_name(room):
                self.fault(("rooms", room), "is no name for a folder; a room's name has no / and no ..")
            else:
                found += [(room, name) for name in names]
        return found

    def with_room(self, entry: FrameEntry) -> FrameEntry:
        """Put a frame into the room that the job file gives it; its folder's otherwise."""
        claims = [claim for claim in self.patterns if _matches(entry.key, claim[1])]
        self.used.update(claims)
        rooms = list(dict.fromkeys(room for room, _ in claims))
        if len(rooms) > 1:
            self.fault(("rooms", rooms[1]), f"{entry.key} is already in {rooms[0]}")
        if not rooms:
            return entry
        return replace(entry, key=FrameKey(rooms[0], entry.key.name))

    def finish(self, job: Job) -> FrameKey | None:
        """Check what only the whole job can tell; return the white reference."""
        for room, pattern in self.patterns:
            if (room, pattern) not in self.used:
                names = [key.name for key in job.frames]
                self.fault(("rooms", room), f'no frame is named "{pattern}"{nearest(pattern, names)}')
        reference = None
        if text := self._text("white_reference"):
            try:
                reference = job.key(text)
            except ValueError as error:
                self.fault(("white_reference",), str(error))
        if self.faults:
            raise JobError(sorted(self.faults, key=lambda fault: fault.line))
        return reference


def _plain_name(text: str) -> bool:
    return bool(text.strip(". ")) and not re.search(r"[/\\\x00-\x1f\x7f]", text)


def _matches(key: FrameKey, pattern: str) -> bool:
    wanted = unicodedata.normalize("NFC", pattern)
    return any(
        fnmatch.fnmatchcase(unicodedata.normalize("NFC", name), wanted) for name in (str(key), key.name)
    )
