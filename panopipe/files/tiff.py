"""Directories of a TIFF or DNG as plain values; the library reads them, we decide what they mean."""

from __future__ import annotations

import logging
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO, Literal

import numpy as np
import tifffile

from panopipe.files.regular import open_regular

logging.getLogger("tifffile").addHandler(logging.NullHandler())  # what it says, our error line says better

Order = Literal["<", ">"]
"""Little-endian or big-endian."""
RATIONAL, SRATIONAL = 5, 10

TAGS = frozenset((
    254, 256, 257, 258, 259, 262, 266, 271, 272, 273, 274, 277, 278, 279, 284, 315, 317, 322, 323, 324, 325,
    338, 339, 347, 700, 33432, 34665, 34675, 34853, *range(50706, 50741), 50778, 50779, 50829, 50964, 50965,
    50972, 51008, 51009, 51022, 51041, 51111,
))  # fmt: skip
"""Tags that panopipe reads: the form of the samples, the shot, and the levels and colours of a DNG."""

_DEPTH = 3
_DIRECTORIES = 64
_LONGEST_CHAIN = 1000
"""Directories of a file: more than pages of any scan that could be meant for a frame."""


@dataclass(frozen=True, slots=True)
class Directory:
    """The tags of one TIFF directory that panopipe knows.

    Attributes
    ----------
    values : mapping of int to object
        Tuples of numbers (rationals as float, nan where the denominator is 0), text, or bytes; for the
        EXIF and GPS directories a mapping of int to such.
    order : {"<", ">"}
        Byte order of the file.
    """

    values: Mapping[int, Any] = field(default_factory=dict)
    order: Order = "<"

    def numbers(self, code: int) -> tuple[float, ...]:
        """All numbers of a tag; empty if it is missing or no number."""
        value = self.values.get(code, ())
        return value if isinstance(value, tuple) else tuple(value) if isinstance(value, bytes) else ()

    def number(self, code: int, default: float) -> float:
        """First number of a tag."""
        numbers = self.numbers(code)
        return numbers[0] if numbers else default

    def whole(self, code: int, default: int) -> int:
        """First number of a tag as an int.

        Raises
        ------
        ValueError
            If it is not a whole number.
        """
        value = self.number(code, default)
        if not math.isfinite(value) or value != int(value):
            raise ValueError(f"tag {code} is {value}, not a whole number")
        return int(value)

    def text(self, code: int) -> str | None:
        """Text of a tag, None if missing or empty."""
        value = self.values.get(code)
        return value.strip() or None if isinstance(value, str) else None

    def data(self, code: int) -> bytes | None:
        """Bytes of a tag, None if it has none."""
        value = self.values.get(code)
        return value if isinstance(value, bytes) else None

    def below(self, code: int) -> Directory:
        """Directory that a pointer tag leads to (EXIF, GPS); empty if there is none."""
        value = self.values.get(code)
        return Directory(value if isinstance(value, Mapping) else {}, self.order)


def shown(values: Iterable[float]) -> str:
    """Up to four numbers for an error line."""
    numbers = [f"{value:g}" for value in values]
    return ", ".join(numbers[:4]) + (f" and {len(numbers) - 4} more" if len(numbers) > 4 else "")


def read_directories(path: Path) -> list[Directory]:
    """All directories of a TIFF file: the chain, and those below each (SubIFDs), in file order.

    Raises
    ------
    ValueError
        If the file is not a readable TIFF.
    OSError
        If the file cannot be read.
    """
    try:
        with open_regular(path) as file:
            _check_chain(file, path.stat().st_size)
        with tifffile.TiffFile(path) as tiff:
            order: Order = ">" if tiff.byteorder == ">" else "<"
            return [Directory(_values(page), order) for page in _pages(tiff)]
    except OSError:
        raise
    except MemoryError as error:
        raise ValueError("the TIFF directory claims more than memory holds; the file is damaged") from error
    except Exception as error:  # the library raises whatever a damaged directory leads it to
        raise ValueError(
            f"the TIFF directory is damaged ({_short(error)}); export the frame again"
        ) from error


def _check_chain(file: BinaryIO, size: int) -> None:
    """Walk from directory to directory: a chain that comes back to where it was has no end.

    TIFF 6.0, section 2; the wider pointers of BigTIFF as its file format extension has them.
    """
    start = file.read(16)
    order: Literal["little", "big"] = "big" if start[:2] == b"MM" else "little"
    is_big = int.from_bytes(start[2:4], order) == 43
    pointer, count_bytes, entry = (8, 8, 20) if is_big else (4, 2, 12)
    at = int.from_bytes(start[8:16] if is_big else start[4:8], order)
    seen: set[int] = set()
    while 0 < at < size:
        if at in seen:
            raise ValueError("its directories lead back to one another")
        if len(seen) == _LONGEST_CHAIN:
            raise ValueError(f"it holds more than {_LONGEST_CHAIN} directories")
        seen.add(at)
        file.seek(at)
        count = int.from_bytes(file.read(count_bytes), order)
        file.seek(min(at + count_bytes + count * entry, size))
        at = int.from_bytes(file.read(pointer), order)


def _pages(tiff: tifffile.TiffFile) -> Iterator[Any]:
    count = 0
    waiting = [(page, 0) for page in tiff.pages]
    while waiting and count < _DIRECTORIES:
        page, depth = waiting.pop(0)
        count += 1
        yield page
        if depth < _DEPTH and 330 in page.tags:
            waiting = [(below, depth + 1) for below in page.pages or ()] + waiting


def _values(page: Any) -> dict[int, Any]:
    values = {}
    for tag in page.tags:
        if tag.code in TAGS and tag.code not in values:
            value = _plain(tag.value, int(tag.dtype), tag.code)
            if value is not None:
                values[tag.code] = value
    return values


def _plain(value: Any, kind: int, code: int) -> Any:
    if isinstance(value, dict):
        names = tifffile.TIFF.GPS_TAGS if code == 34853 else tifffile.TIFF.EXIF_TAGS
        return {key: item for name, item in value.items() if isinstance(key := names.get(name), int)}
    if isinstance(value, str | bytes):
        return value
    if isinstance(value, np.ndarray):
        value = tuple(value.ravel().tolist())
    flat = tuple(_number(item) for item in (value if isinstance(value, tuple) else (value,)))
    if kind in (RATIONAL, SRATIONAL):
        return tuple(a / b if b else float("nan") for a, b in zip(flat[::2], flat[1::2], strict=True))
    return flat


def _number(item: Any) -> float:
    return item if isinstance(item, float) else int(item)


def _short(error: Exception) -> str:
    return " ".join(str(error).split())[:120] or type(error).__name__
