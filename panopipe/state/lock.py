"""One run at a time on a job: a lock that the system lets go of when its holder dies, however it dies."""

from __future__ import annotations

import contextlib
import getpass
import json
import os
import platform
import time
from pathlib import Path
from typing import IO

from panopipe.files.file_lock import open_lock, take_lock
from panopipe.job import WORKING

LOCK = f"{WORKING}/lock"


class JobLock:
    """Held while a run works on a job. Use it with `with`.

    Raises
    ------
    BlockingIOError
        If another run holds it; the message says which.
    OSError
        If the folder cannot be written.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._file: IO[bytes] | None = None

    def __enter__(self) -> JobLock:
        file = open_lock(self._folder, LOCK)
        if not take_lock(file):
            holder = _holder(file)
            file.close()
            raise BlockingIOError(f"another run works on this job{holder}; wait for it or stop it")
        file.truncate(0)
        file.seek(0)
        said = {"pid": os.getpid(), "host": platform.node(), "user": _user(), "since": time.strftime("%F %T")}
        file.write(json.dumps(said).encode())
        file.flush()
        self._file = file
        return self

    def __exit__(self, *_: object) -> None:
        if self._file:
            with contextlib.suppress(OSError):
                self._file.truncate(0)
            self._file.close()
            self._file = None


def run_at_work(folder: Path) -> str:
    """Which run works on a job, in words; empty if none does. Never in the way of one that begins.

    Raises
    ------
    OSError, ValueError
        If the lock cannot be looked at.
    """
    if not (folder / LOCK).is_file():
        return ""
    with open_lock(folder, LOCK) as file:
        holder = _holder(file)
        if not holder or not take_lock(file):  # who takes it says so: it is only tried where someone did
            return holder.strip(" ()")
        file.truncate(0)  # of a run that was killed
        return ""


def _holder(file: IO[bytes]) -> str:
    try:
        file.seek(0)
        said = json.loads(file.read(4096))
        return f" (process {int(said['pid'])} of {said['user']} on {said['host']}, since {said['since']})"
    except (OSError, ValueError, KeyError, TypeError):
        return ""


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "?"
