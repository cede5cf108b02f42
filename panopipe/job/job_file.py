"""The job file: title, rights, rooms and white reference, with every fault told at once."""

from __future__ import annotations

import fnmatch
from collections.abc import Collection, Mapping
from dataclasses import replace
from pathlib import Path, PurePosixPath

from panopipe.errors import Fault, JobError
from panopipe.files.toml import Document, TomlError, read_toml
from panopipe.frame import FrameKey
from panopipe.job.delivery_facts import KEYS, TABLE, DeliveryFacts, delivery_facts
from panopipe.job.model import EXPOSURES, JOB_FILE, RECIPE_FILE, TAKES, FrameEntry, Group, Job
from panopipe.job.names import composed, in_the_way, inside, is_plain, nearest
from panopipe.registry import known_stages
from panopipe.stage import Rights

_LONGEST_NAME = 255
"""Bytes of a folder's name, on common file systems."""
_LONGEST_TEXT = 1000
"""Characters; all texts together then fit the metadata segments of a JPEG, which end at 64 KiB."""
JOB_KEYS = (
    "title",
    "white_reference",
    "rights",
    "rooms",
    "exposures",
    "takes",
    "separate",
    "prefer",
    "delivery",
    "links",
    "north",
)
"""What a job file may say at its top."""
_ONE_OF = {EXPOSURES: "an exposure", TAKES: "a take"}


class JobFile:
    """The job file, read once; gathers its faults until all of them can be told."""

    _RIGHTS = ("creator", "copyright", "contact_url", "contact_email")

    def __init__(self, root: Path) -> None:
        self.faults: list[Fault] = []
        self.remarks: list[str] = []
        self.document = self._read(root)
        self.patterns = self._rooms()
        self.used: set[tuple[str, str]] = set()
        self._check_names("", self.document.values, JOB_KEYS)

    def _read(self, root: Path) -> Document:
        path = root / JOB_FILE
        if why := in_the_way(path, folder=False):
            self.faults.append(Fault(JOB_FILE, 0, why))
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
        """Note a fault at a key of the job file."""
        self.faults.append(Fault(JOB_FILE, self.document.line(*path), text, ".".join(path)))

    def _check_names(self, table: str, values: Mapping[str, object], known: tuple[str, ...]) -> None:
        for name in values:
            if name not in known:
                path = (table, name) if table else (name,)
                likely = nearest(name, known)
                if not table and name in (*known_stages(), "pipeline"):
                    likely = f"; settings of a stage belong into {RECIPE_FILE}"
                self.fault(path, f"unknown here{likely} (known: {', '.join(known)})")

    def _text(self, *path: str) -> str:
        value: object = self.document.values
        for name in path:
            value = value.get(name, "") if isinstance(value, Mapping) else ""
        if not isinstance(value, str):
            self.fault(path, "must be text in quotes")
            return ""
        if len(value) > _LONGEST_TEXT:
            self.fault(path, f"is {len(value)} characters long; finished files carry {_LONGEST_TEXT} at most")
            return ""
        return value

    def rights(self) -> Rights:
        """Title, rights and contact."""
        table = self.document.values.get("rights", {})
        if not isinstance(table, Mapping):
            self.fault(("rights",), f"must be a table with {', '.join(self._RIGHTS)}")
            return Rights(self._text("title"))
        self._check_names("rights", table, self._RIGHTS)
        return Rights(self._text("title"), *(self._text("rights", name) for name in self._RIGHTS))

    def delivery(self) -> DeliveryFacts:
        """How the pictures are handed over."""
        table = self.document.values.get(TABLE, {})
        if isinstance(table, Mapping):
            self._check_names(TABLE, table, KEYS)
        return delivery_facts(table, self.fault)

    def _rooms(self) -> list[tuple[str, str]]:
        table = self.document.values.get("rooms", {})
        if not isinstance(table, Mapping):
            self.fault(("rooms",), 'must be a table of lists: hall = ["frame-01", "frame-02"]')
            return []
        listed = []
        for room, names in table.items():
            if not isinstance(names, list) or not all(isinstance(name, str) for name in names):
                self.fault(("rooms", room), 'must be a list of frames: ["frame-01", "frame-1*"]')
            elif not is_plain(room) or len(room.encode()) > _LONGEST_NAME:
                self.fault(("rooms", room), "is no name for a folder; a room's name has no / and no ..")
            else:
                listed += [(room, name) for name in names]
        return listed

    def groups(self, job: Job) -> tuple[Group, ...]:
        """Files that the job file puts together; faults are noted."""
        taken: dict[FrameKey, tuple[str, str]] = {}
        return tuple(group for kind in (EXPOSURES, TAKES) for group in self._groups(job, kind, taken))

    def _groups(self, job: Job, kind: str, taken: dict[FrameKey, tuple[str, str]]) -> list[Group]:
        table = self.document.values.get(kind, {})
        if not isinstance(table, Mapping):
            self.fault((kind,), 'must be a table of lists: "hall/hall-01" = ["hall-01*"]')
            return []
        found: list[Group] = []
        for name, patterns in table.items():
            path = (kind, name)
            if not isinstance(patterns, list) or not all(isinstance(one, str) for one in patterns):
                self.fault(path, 'must be a list of its files: ["hall-01", "hall-01-*"]')
                continue
            try:
                first = job.key(name)
            except ValueError as error:
                if not job.is_of_unread(name):
                    self.fault(path, str(error))
                continue
            members = [first, *(key for key in self._matched(job, path, patterns) if key != first)]
            if twice := [key for key in members if taken.setdefault(key, path) != path]:
                other, first_name = taken[twice[0]]
                self.fault(path, f"{twice[0]} is already {_ONE_OF[other]} of {first_name}")
            elif strangers := [key for key in members if key.room != first.room]:
                self.fault(path, f"{strangers[0]} is of another room than {first}")
            elif len(members) < 2:
                self.fault(path, f"names no file besides {first}; a frame of one file needs no word")
            else:
                files = tuple(job.frames[key].files[0].path for key in members)
                said = f"{len(files)} {kind}, as {JOB_FILE} says"
                found.append(Group(kind, files, said, by_hand=True))
        return found

    def preferred(self, job: Job) -> tuple[FrameKey, ...]:
        """Takes that are to be finished whatever is found on them; faults are noted."""
        names = self.document.values.get("prefer", [])
        if not isinstance(names, list) or not all(isinstance(one, str) for one in names):
            self.fault(("prefer",), 'must be a list of takes: ["deck/deck-02"]')
            return ()
        return tuple(self._matched(job, ("prefer",), names))

    def separate(self, job: Job) -> frozenset[FrameKey]:
        """Frames that are to be kept out of any group; faults are noted."""
        patterns = self.document.values.get("separate", [])
        if not isinstance(patterns, list) or not all(isinstance(one, str) for one in patterns):
            self.fault(("separate",), 'must be a list of frames: ["hall-01", "deck/*"]')
            return frozenset()
        return frozenset(self._matched(job, ("separate",), patterns))

    def _matched(self, job: Job, path: tuple[str, ...], patterns: list[str]) -> list[FrameKey]:
        """Frames whose names fit, in walking order of each pattern; one that fits none is a fault."""
        found: dict[FrameKey, None] = {}
        for pattern in patterns:
            here = [key for key in job.frames if _matches(key, pattern)]
            if not here and not job.unread:
                likely = nearest(pattern, [key.name for key in job.frames])
                self.fault(path, f'no frame is named "{pattern}"{likely}')
            found.update(dict.fromkeys(here))
        return list(found)

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

    def rooms_in(self, unread: Collection[str]) -> frozenset[str]:
        """Rooms that may have frames in folders that cannot be read."""
        by_pattern = {room for room, name in self.patterns if (room, name) not in self.used}
        return frozenset(by_pattern | {PurePosixPath(folder).name for folder in unread} if unread else ())

    def finish(self, job: Job) -> FrameKey | None:
        """Check what only the whole job can tell; return the white reference.

        Raises
        ------
        JobError
            If anything in the job file is wrong; all of it is told.
        """
        for room, pattern in self.patterns:
            if (room, pattern) not in self.used and not job.unread:
                names = [key.name for key in job.alone or job.frames]
                self.fault(("rooms", room), f'no frame is named "{pattern}"{nearest(pattern, names)}')
        reference = None
        if text := self._text("white_reference"):
            try:
                reference = job.key(text)
            except ValueError as error:
                if job.is_of_unread(text):
                    self.remarks.append(f"white_reference: {error}; white is found without it")
                else:
                    self.fault(("white_reference",), str(error))
        if self.faults:
            raise JobError(sorted(self.faults, key=lambda fault: fault.line))
        return reference


def _matches(key: FrameKey, pattern: str) -> bool:
    wanted = composed(pattern)
    return any(fnmatch.fnmatchcase(composed(name), wanted) for name in (str(key), key.name))
