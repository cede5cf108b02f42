"""Files written whole or not at all."""

from __future__ import annotations

import contextlib
import os
import secrets
import sys
from pathlib import Path

PART_SUFFIX = ".part"
"""Ending of a file still being written: a hidden name beside its target. One that is left over was cut
short by a crash and can go."""


def write_whole(path: Path, data: bytes | memoryview, *, lasting: bool = True) -> None:
    """Put `data` where `path` says, so that no reader ever sees half of it.

    The bytes go to a new file in the same folder and reach the disk before that file takes the name; after
    a crash or a power cut there is the old file or the new one.

    Parameters
    ----------
    path : Path
        The file; its folder must exist. A file already there is replaced.
    data : bytes or memoryview
        The whole content.
    lasting : bool
        Whether the new name is on the disk, too, when this returns. Leave it out for what can be made
        again: after a power cut there may be the old file still.

    Raises
    ------
    OSError
        If the folder is missing, not writable or full; nothing is left behind and an older file stays.
    """
    part = path.with_name(f".{secrets.token_hex(8)}{PART_SUFFIX}")  # short: long names stay possible
    try:
        with part.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except BaseException as error:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        if isinstance(error, OSError) and error.strerror:
            # Of the file that was asked for, not of the one on the way to it.
            raise OSError(error.errno, error.strerror, str(path)) from error
        raise
    if lasting:
        _sync_folder(path.parent)


def _sync_folder(folder: Path) -> None:
    """Bring the new name itself to the disk, where the system lets folders be opened."""
    if sys.platform == "win32":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError:  # some network file systems refuse this for folders; the file itself is safe
        pass
    finally:
        os.close(handle)
