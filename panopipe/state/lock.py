"""One run at a time on a job: a lock that the system lets go of when its holder dies, however it dies."""

from __future__ import annotations

import contextlib
import errno
import getpass
import json
import os
import platform
import sys
import time
from pathlib import Path
from typing import IO

from panopipe.job import WORKING

LOCK = f"{WORKING}/lock"
_LOCKED_BYTE = 1 << 20
"""On Windows a locked byte cannot be read, so it lies far behind the text that says who holds the lock."""


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
        self._path = folder / LOCK
        self._file: IO[bytes] | None = None

    def __enter__(self) -> JobLock:
        self._path.parent.mkdir(exist_ok=True)
        file = self._path.open("r+b") if self._path.exists() else self._path.open("w+b")
        if not _take(file):
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


if sys.platform == "win32":
    import msvcrt

    def _take(file: IO[bytes]) -> bool:
        file.seek(_LOCKED_BYTE)
        try:
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True
else:
    import fcntl

    _NO_LOCKS = {errno.ENOLCK, errno.ENOSYS, errno.EOPNOTSUPP, errno.EINVAL}
    """Some network disks know no locks; a run goes on there without one."""

    def _take(file: IO[bytes]) -> bool:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        except OSError as error:
            if error.errno not in _NO_LOCKS:
                raise
        return True
