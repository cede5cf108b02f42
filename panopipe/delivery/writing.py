"""Writing a delivery whole or not at all: under a hidden name beside its place, which it takes by a rename.

A zip takes the place of an older one in one step. No system lets a folder do so: the older one is moved aside
first, and whoever is killed between the two leaves no folder of that name, never half of one.
"""

from __future__ import annotations

import contextlib
import os
import zipfile
from collections.abc import Mapping
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Protocol

from panopipe.delivery.checksums import files_in
from panopipe.delivery.goal import ZIP, Goal
from panopipe.files.below import (
    link_below,
    make_below,
    move_below,
    open_below,
    remove_below,
    remove_folder_below,
    settle_below,
    write_below,
)

_TIME = (1980, 1, 1, 0, 0, 0)
"""Time of a member of a zip: the earliest it can hold, so that the same delivery gives the same bytes."""
_MODE = 0o644 << 16


class Writer(Protocol):
    """Takes the files of a delivery one by one; `take_place` gives it its name."""

    def put(self, name: str, data: bytes | memoryview) -> None:
        """Write a file."""

    def old(self, name: str) -> bytes | None:
        """A file of the delivery that stands there, if it can be read."""

    def keep(self, name: str, old: str) -> bool:
        """Take a file over from the delivery that stands there, without reading it; whether that went."""

    def take_place(self) -> None:
        """Be the delivery."""


def writer_for(goal: Goal) -> AbstractContextManager[Writer]:
    """A writer for a folder or a zip; what it did not finish is gone when it is left."""
    return _ZipWriter(goal) if goal.is_zip else _FolderWriter(goal)


def on_disk(goal: Goal) -> dict[str, tuple[int, int]]:
    """Size and time of change of the files of a delivery by name; of a zip under ""."""
    if goal.is_zip:
        return {"": _stat(goal.path)} if goal.path.is_file() else {}
    return {name: _stat(goal.path / name) for name in files_in(goal.path)}


def _stat(path: Path) -> tuple[int, int]:
    stat = path.lstat()
    return stat.st_size, stat.st_mtime_ns


class _FolderWriter:
    def __init__(self, goal: Goal) -> None:
        self._goal = goal
        self._folders: set[str] = set()

    def __enter__(self) -> Writer:
        make_below(self._goal.parent, self._goal.coming)
        return self

    def __exit__(self, *_: object) -> None:
        if (self._goal.parent / self._goal.coming).is_dir():
            remove_folder_below(self._goal.parent, self._goal.coming)

    def put(self, name: str, data: bytes | memoryview) -> None:
        self._folders.add(name.rpartition("/")[0])
        write_below(self._goal.parent, f"{self._goal.coming}/{name}", data, lasting=False)

    def old(self, name: str) -> bytes | None:
        try:
            with os.fdopen(
                open_below(self._goal.parent, f"{self._goal.name}/{name}", os.O_RDONLY), "rb"
            ) as file:
                return file.read()
        except (OSError, ValueError):
            return None

    def keep(self, name: str, old: str) -> bool:
        self._folders.add(name.rpartition("/")[0])
        goal = self._goal
        return link_below(goal.parent, f"{goal.name}/{old}", f"{goal.coming}/{name}")

    def take_place(self) -> None:
        goal = self._goal
        for folder in sorted({*self._folders, ""}, reverse=True):
            settle_below(goal.parent, f"{goal.coming}/{folder}".rstrip("/"))
        stands = goal.path.is_dir()
        if stands:
            move_below(goal.parent, goal.name, goal.going)
        move_below(goal.parent, goal.coming, goal.name)
        settle_below(goal.parent, "")
        if stands:
            remove_folder_below(goal.parent, goal.going)


class _ZipWriter:
    """Members are stored as they are: pictures are compressed already."""

    def __init__(self, goal: Goal) -> None:
        self._goal = goal
        self._top = goal.name[: -len(ZIP)]

    def __enter__(self) -> Writer:
        flags = os.O_RDWR | os.O_CREAT | os.O_EXCL
        self._file = os.fdopen(open_below(self._goal.parent, self._goal.coming, flags), "w+b")
        self._zip = zipfile.ZipFile(self._file, "w", zipfile.ZIP_STORED)
        return self

    def __exit__(self, *_: object) -> None:
        with contextlib.suppress(OSError, ValueError):
            self._zip.close()
        self._file.close()
        remove_below(self._goal.parent, self._goal.coming)

    def put(self, name: str, data: bytes | memoryview) -> None:
        info = zipfile.ZipInfo(f"{self._top}/{name}", _TIME)
        info.external_attr, info.create_system = _MODE, 3  # as a system with such rights would have it
        self._zip.writestr(info, bytes(data))

    def old(self, name: str) -> bytes | None:
        try:
            with zipfile.ZipFile(self._goal.path) as archive:
                return archive.read(f"{self._top}/{name}")
        except (OSError, KeyError, zipfile.BadZipFile):
            return None

    def keep(self, name: str, old: str) -> bool:
        return False

    def take_place(self) -> None:
        self._zip.close()
        self._file.flush()
        os.fsync(self._file.fileno())
        self._file.close()
        move_below(self._goal.parent, self._goal.coming, self._goal.name)
        settle_below(self._goal.parent, "")


def is_as_left(kept: Mapping[str, tuple[int, int]], found: Mapping[str, tuple[int, int]]) -> bool:
    """Whether no file was changed or put there since; some may be missing."""
    return all(kept.get(name) == stat for name, stat in found.items())
