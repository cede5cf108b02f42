"""Opening what is a file and nothing else: a pipe or a device would be read for ever."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path
from typing import BinaryIO


def open_regular(path: Path) -> BinaryIO:
    """Open a file for reading, without waiting for anybody to write into it.

    Raises
    ------
    OSError
        If it cannot be opened, or is a pipe, a device or a socket.
    """
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    try:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise OSError(errno.EINVAL, "is no file but a pipe, device or folder; put a copy of it there")
        return os.fdopen(handle, "rb")
    except BaseException:
        os.close(handle)
        raise
