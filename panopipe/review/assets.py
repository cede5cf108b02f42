"""Pictures of the page: thumbnails as files, large previews wrapped in scripts.

A page opened from disk may show picture files but not hand them to the graphics card: browsers treat each
file as a stranger. A script is let in, so each large preview is a small script that holds its JPEG as
text and is loaded when the frame is opened.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.files.below import remove_below, write_below
from panopipe.files.jpeg import preview_jpeg
from panopipe.files.reduced import jpeg_size
from panopipe.frame import FrameKey
from panopipe.job import REVIEW
from panopipe.state.record import FrameRecord

THUMBNAIL_PX = 640
_AS_IT_IS_PX = 4096
_AS_IT_IS_BYTES = 3_000_000
"""A finished file no wider and no larger than this is its own preview, bit for bit."""
_QUALITY = 88


@dataclass(frozen=True, slots=True)
class Names:
    """Where the pictures of one frame lie."""

    thumbnail: Path
    after: Path
    before: Path

    def complete(self, job_folder: Path, record: FrameRecord) -> bool:
        """Whether all that the frame can have is there, no before-picture older than its source."""
        if not (self.thumbnail.exists() and self.after.exists()):
            return False
        before = job_folder / record.before
        if not record.before or not before.exists():
            return True
        return self.before.exists() and self.before.stat().st_mtime_ns >= before.stat().st_mtime_ns

    def write(
        self,
        data: bytes,
        rgb8: NDArray[np.uint8],
        small: NDArray[np.uint8],
        job_folder: Path,
        record: FrameRecord,
    ) -> None:
        """Write thumbnail and previews of a finished picture, given as bytes, decoded, and reduced."""
        size = (THUMBNAIL_PX, THUMBNAIL_PX // 2)
        small = np.asarray(cv2.resize(small, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
        as_it_is = jpeg_size(data)[0] <= _AS_IT_IS_PX and len(data) <= _AS_IT_IS_BYTES
        whole = data if as_it_is else preview_jpeg(rgb8, _QUALITY)
        _put(job_folder, self.thumbnail, preview_jpeg(small, 82))
        _put(job_folder, self.after, _script(self.after.stem, whole))
        before = job_folder / record.before
        if record.before and before.is_file():
            _put(job_folder, self.before, _script(self.before.stem, before.read_bytes()))
        else:
            remove_below(job_folder, _name(job_folder, self.before))


def _put(job_folder: Path, path: Path, data: bytes) -> None:
    write_below(job_folder, _name(job_folder, path), data, lasting=False)


def _name(job_folder: Path, path: Path) -> str:
    return path.relative_to(job_folder).as_posix()


def identity(key: FrameKey) -> str:
    """Short name of a frame that any file system and any address can carry, whatever its own name is."""
    return hashlib.blake2s(
        f"{key.room}\0{key.name}".encode("utf-8", "surrogatepass"), digest_size=6
    ).hexdigest()


def names(folder: Path, key: FrameKey) -> Names:
    """Where the pictures of a frame lie inside the review folder."""
    return _named(folder, identity(key))


def _named(folder: Path, short: str) -> Names:
    return Names(
        folder / "thumbnails" / f"{short}.jpg",
        folder / "previews" / f"{short}-after.js",
        folder / "previews" / f"{short}-before.js",
    )


def sweep(job_folder: Path, keys: Sequence[FrameKey], written: Collection[str]) -> None:
    """Remove pictures of frames that the job no longer has.

    Parameters
    ----------
    job_folder : Path
        The job.
    keys : sequence of FrameKey
        Its frames.
    written : collection of str
        Short names of frames whose pictures panopipe wrote here; nothing else is removed.
    """
    folder = job_folder / REVIEW
    gone = set(written) - {identity(key) for key in keys}
    for path in (path for short in sorted(gone) for path in _all(_named(folder, short))):
        remove_below(job_folder, _name(job_folder, path))


def _all(names: Names) -> tuple[Path, ...]:
    return names.thumbnail, names.after, names.before


def _script(name: str, jpeg: bytes) -> bytes:
    return b'panopipe.picture("' + name.encode("ascii") + b'","' + base64.b64encode(jpeg) + b'");\n'
