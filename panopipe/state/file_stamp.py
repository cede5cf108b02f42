"""A file as it was seen: size, time of change, SHA-256."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class FileStamp:
    """What tells whether a file is still the one that was read or written.

    Attributes
    ----------
    size, mtime_ns : int
        As the file system gives them.
    sha256 : str
        Of its bytes, in hex.
    """

    size: int
    mtime_ns: int
    sha256: str

    def same_stat(self, path: Path) -> bool:
        """Whether size and time of the file are still these."""
        try:
            stat = path.stat()
        except OSError:
            return False
        return (stat.st_size, stat.st_mtime_ns) == (self.size, self.mtime_ns)


def hashed(path: Path) -> FileStamp:
    """Size, time and SHA-256 of a file, read in pieces that stay in the processor's cache.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    stat = path.stat()
    with path.open("rb", buffering=0) as file:
        sha256 = hashlib.file_digest(file, "sha256").hexdigest()
    return FileStamp(stat.st_size, stat.st_mtime_ns, sha256)
