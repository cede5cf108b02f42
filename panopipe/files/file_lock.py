"""Locks on files below a folder, that the system lets go of when their holder dies, however it dies."""

from __future__ import annotations

import contextlib
import errno
import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from panopipe.files.below import open_below

_LOCKED_BYTE = 1 << 20
"""On Windows a locked byte cannot be read, so it lies far behind what may be written into the file."""
_EVERY_S = 0.02


def open_lock(root: Path, name: str) -> IO[bytes]:
    """Open the file that a lock is put on; made if it is missing.

    Raises
    ------
    ValueError
        If it is a link, or a link leads to it.
    OSError
        If it cannot be opened.
    """
    return os.fdopen(open_below(root, name, os.O_RDWR | os.O_CREAT), "r+b")


@contextlib.contextmanager
def waited_lock(root: Path, name: str, *, longest_s: float = 30.0) -> Iterator[None]:
    """Wait for a lock, and hold it.

    Raises
    ------
    BlockingIOError
        If somebody holds it for longer than that.
    ValueError, OSError
        As `open_lock`.
    """
    until = time.monotonic() + longest_s
    with open_lock(root, name) as file:
        while not take_lock(file):
            if time.monotonic() > until:
                raise BlockingIOError(f"{name} is held by another command; wait for it, then try again")
            time.sleep(_EVERY_S)
        yield


if sys.platform == "win32":
    import msvcrt

    def take_lock(file: IO[bytes]) -> bool:
        """Take the lock on an open file, if nobody holds it."""
        file.seek(_LOCKED_BYTE)
        try:
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True
else:
    import fcntl

    _NO_LOCKS = {errno.ENOLCK, errno.ENOSYS, errno.EOPNOTSUPP, errno.EINVAL}
    """Some network disks know no locks; work goes on there without one."""

    def take_lock(file: IO[bytes]) -> bool:
        """Take the lock on an open file, if nobody holds it."""
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        except OSError as error:
            if error.errno not in _NO_LOCKS:
                raise
        return True
