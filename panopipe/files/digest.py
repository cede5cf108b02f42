"""The checksum that a DNG may carry of its raw samples.

RawImageDigest (tag 50972) is the MD5 of all samples row by row, each of 8 to 16 bits as 16, little-endian
(DNG 1.7.1, chapter "DNG Tags"). For NewRawImageDigest (51111) the specification refers to the source of the
reference library: the MD5 of the MD5s of areas of 256x256, plane after plane in each, samples of 8 bits as
they are; of lossy codings, of the coded strips or tiles instead.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from panopipe.files.samples import Array, Samples
from panopipe.files.tiff import Directory
from panopipe.files.tiff_form import Form

_OLD, _NEW = 50972, 51111
_AREA = 256
_ROWS = 16
_LOSSY = (34892, 52546)
_SPOILED = 4
"""Bytes at the head of the older checksum that a writer spoiled, as the reference library knows."""


@dataclass(frozen=True, slots=True)
class Digest:
    """A checksum as the file has it: 16 bytes, and whether it is the newer one."""

    value: bytes
    is_new: bool


def digest_of(*directories: Directory) -> Digest | None:
    """Checksum of a DNG's samples, the newer one if there are both; None if there is none."""
    for code, is_new in ((_NEW, True), (_OLD, False)):
        for directory in directories:
            value = bytes(int(number) & 255 for number in directory.numbers(code))
            if len(value) == 16 and any(value):
                return Digest(value, is_new)
    return None


def digest_fits(digest: Digest, samples: Samples, form: Form, path: Path) -> bool:
    """Whether a checksum is that of the samples in the file.

    Raises
    ------
    OSError, ValueError
        If the samples cannot be read.
    """
    if form.compression in _LOSSY and _of_segments(path, form) == digest.value:
        return True
    if digest.is_new or form.kind == "f":
        # Samples of 8 bits may have been 16 bits where the checksum was made.
        return any(_of_areas(samples, size) == digest.value for size in sorted({samples.dtype.itemsize, 2}))
    return _of_rows(samples)[_SPOILED:] == digest.value[_SPOILED:]


def _of_rows(samples: Samples) -> bytes:
    md5 = hashlib.md5(usedforsecurity=False)
    for first in range(0, samples.height, _ROWS):
        md5.update(_plain(samples.rows(first, min(first + _ROWS, samples.height)), 2))
    return md5.digest()


def _of_areas(samples: Samples, size: int) -> bytes:
    md5 = hashlib.md5(usedforsecurity=False)
    for area in _areas(samples):
        md5.update(hashlib.md5(_plain(np.moveaxis(area, 2, 0), size), usedforsecurity=False).digest())
    return md5.digest()


def _areas(samples: Samples) -> Iterator[Array]:
    for top in range(0, samples.height, _AREA):
        rows = samples.rows(top, min(top + _AREA, samples.height))
        for left in range(0, samples.width, _AREA):
            yield rows[:, left : left + _AREA]


def _plain(part: Array, size: int) -> bytes:
    """Little-endian bytes of samples in so many bytes each."""
    kind = "f" if part.dtype.kind == "f" else "u"
    return part.astype(f"<{kind}{max(size, part.dtype.itemsize)}", order="C").tobytes()


def _of_segments(path: Path, form: Form) -> bytes:
    """Of coded strips or tiles, in the order of the directory."""
    md5 = hashlib.md5(usedforsecurity=False)
    with path.open("rb") as file:
        for offset, count in zip(form.offsets, form.counts, strict=True):
            file.seek(offset)
            md5.update(hashlib.md5(file.read(count), usedforsecurity=False).digest())
    return md5.digest()
