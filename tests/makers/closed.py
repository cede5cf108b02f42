"""A folder that cannot be read, for as long as it takes."""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from unittest import mock


@contextlib.contextmanager
def closed(folder: Path) -> Iterator[None]:
    """Take away the right to read a folder; where that holds nobody off, answer as the system would.

    Nothing holds off root, and a mode means nothing on Windows.
    """
    mode = folder.stat().st_mode
    folder.chmod(0)
    try:
        if _is_open(folder):
            with mock.patch("os.scandir", _refusing(folder)):
                yield
        else:
            yield
    finally:
        folder.chmod(mode)


def _is_open(folder: Path) -> bool:
    try:
        with os.scandir(folder):
            return True
    except PermissionError:
        return False


def _refusing(folder: Path) -> Any:
    real = os.scandir

    def scandir(path: Any = ".") -> Any:
        if not isinstance(path, int) and Path(os.fsdecode(path)) == folder:
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))
        return real(path)

    return scandir
