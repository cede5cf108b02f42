"""How a TIFF directory says its samples are stored, checked against the file before any are read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from panopipe.files.samples import check_size
from panopipe.files.tiff import Directory, Order, shown

COMPRESSIONS: dict[int, str] = {
    1: "none", 5: "LZW", 7: "JPEG", 8: "deflate", 32773: "PackBits", 32946: "deflate", 34892: "lossy JPEG",
    50000: "Zstandard", 52546: "JPEG XL",
}  # fmt: skip
"""Compression codes that panopipe reads (TIFF 6.0, its technical notes, and DNG 1.7.1)."""
PREDICTOR_REACH: dict[int, int] = {1: 0, 2: 1, 34892: 2, 34893: 4, 3: 1, 34894: 2, 34895: 4}
"""Pixels between a sample and the one it was predicted from; 3, 34894 and 34895 work on floats."""
_FLOAT_PREDICTORS = (3, 34894, 34895)
_PICTURE_CODES = (7, 34892, 52546)


@dataclass(frozen=True, slots=True)
class Form:
    """How samples are stored.

    Attributes
    ----------
    width, height, planes, bits : int
        Pixels, planes and bits of one sample.
    kind : {"u", "f"}
        Unsigned whole numbers or floating point.
    compression, predictor : int
        TIFF codes.
    planar : bool
        Whether each plane is stored by itself.
    segment : tuple of int
        Rows and columns of a tile; of a strip, its rows and the full width.
    tiled : bool
        Tiles are stored full; the last strip may be shorter.
    offsets, counts : tuple of int
        Place and length of each segment in bytes.
    order : {"<", ">"}
        Byte order.
    tables : bytes or None
        JPEG tables that all segments share.
    """

    width: int
    height: int
    planes: int
    bits: int
    kind: Literal["u", "f"]
    compression: int
    predictor: int
    planar: bool
    segment: tuple[int, int]
    tiled: bool
    offsets: tuple[int, ...]
    counts: tuple[int, ...]
    order: Order
    tables: bytes | None

    @property
    def dtype(self) -> np.dtype[Any]:
        """Native type that holds a sample."""
        if self.kind == "f":
            return np.dtype(np.float16 if self.bits == 16 else np.float32)
        return np.dtype(np.uint8 if self.bits <= 8 else np.uint16 if self.bits <= 16 else np.uint32)

    @property
    def grid(self) -> tuple[int, int]:
        """Rows and columns of segments."""
        return -(-self.height // self.segment[0]), -(-self.width // self.segment[1])

    @property
    def segment_planes(self) -> int:
        """Planes that one segment holds."""
        return 1 if self.planar else self.planes

    def segment_rows(self, index: int) -> int:
        """Rows that a segment holds."""
        rows, _ = self.segment
        row = index % (self.grid[0] * self.grid[1]) // self.grid[1]
        return rows if self.tiled else min(rows, self.height - row * rows)

    def row_bytes(self) -> int:
        """Bytes of one row of an uncompressed segment."""
        return -(-self.segment[1] * self.segment_planes * self.bits // 8)


def sample_form(directory: Directory, file_bytes: int) -> Form:
    """Form of a directory's samples.

    Raises
    ------
    ValueError
        If panopipe cannot read the form, the tags contradict each other, or samples lie beyond the
        end of the file.
    """
    width, height = directory.whole(256, 0), directory.whole(257, 0)
    check_size(width, height)
    form = Form(
        width=width,
        height=height,
        planes=directory.whole(277, 1),
        bits=_same(directory.numbers(258) or (1,), "BitsPerSample"),
        kind=_kind(_same(directory.numbers(339) or (1,), "SampleFormat")),
        compression=directory.whole(259, 1),
        predictor=directory.whole(317, 1),
        planar=directory.whole(284, 1) == 2,
        segment=_segment(directory, width, height),
        tiled=324 in directory.values,
        offsets=_wholes(directory, 324 if 324 in directory.values else 273),
        counts=_wholes(directory, 325 if 324 in directory.values else 279),
        order=directory.order,
        tables=directory.data(347),
    )
    _check_codes(form, directory)
    _check_segments(form, file_bytes)
    return form


def _same(values: tuple[float, ...], name: str) -> int:
    if any(value != values[0] for value in values):
        raise ValueError(
            f"{name} differs from plane to plane ({shown(values)}); panopipe reads planes of one kind"
        )
    return int(values[0])


def _kind(sample_format: int) -> Literal["u", "f"]:
    if sample_format not in (1, 3):
        raise ValueError(f"SampleFormat {sample_format}; unsigned whole (1) or floating point (3) are read")
    return "f" if sample_format == 3 else "u"


def _segment(directory: Directory, width: int, height: int) -> tuple[int, int]:
    if 324 in directory.values:
        rows, columns = directory.whole(323, 0), directory.whole(322, 0)
    else:
        rows, columns = min(directory.whole(278, height), height), width
    if rows < 1 or columns < 1 or rows * columns > 4 * max(width * height, 1 << 20):
        raise ValueError(f"tiles or strips of {columns}x{rows} in a picture of {width}x{height}")
    return rows, columns


def _wholes(directory: Directory, code: int) -> tuple[int, ...]:
    return tuple(int(value) for value in directory.numbers(code))


def _check_codes(form: Form, directory: Directory) -> None:
    names = f"compression {form.compression}, photometric {directory.whole(262, -1)}"
    if form.compression not in COMPRESSIONS:
        known = ", ".join(f"{code} {name}" for code, name in COMPRESSIONS.items())
        raise ValueError(f"samples with {names} cannot be read; these compressions can: {known}")
    if form.predictor not in PREDICTOR_REACH:
        raise ValueError(f"samples with {names} and predictor {form.predictor} cannot be read")
    if (form.predictor in _FLOAT_PREDICTORS) != (form.kind == "f") and form.predictor != 1:
        raise ValueError(f"predictor {form.predictor} does not go with SampleFormat of kind {form.kind}")
    bits = (16, 24, 32) if form.kind == "f" else range(8, 17)
    if form.bits not in bits:
        raise ValueError(
            f"samples of {form.bits} bits ({names}); 8 to 16, or 16, 24 and 32 in floating point, are read"
        )
    if directory.whole(266, 1) != 1:
        raise ValueError("bits stand in reversed order (FillOrder 2); export the frame another way")


def _check_segments(form: Form, file_bytes: int) -> None:
    wanted = form.grid[0] * form.grid[1] * (form.planes if form.planar else 1)
    if len(form.offsets) != wanted or len(form.counts) != wanted:
        raise ValueError(
            f"{len(form.offsets)} offsets and {len(form.counts)} lengths for {wanted} strips or tiles; "
            "the file is damaged"
        )
    end = max(offset + count for offset, count in zip(form.offsets, form.counts, strict=True))
    if end > file_bytes:
        raise ValueError(
            f"the file is cut short: samples reach to byte {end}, it has {file_bytes}; copy it again"
        )
    if form.compression == 1:
        for index, count in enumerate(form.counts):
            if count < form.segment_rows(index) * form.row_bytes():
                raise ValueError(f"strip or tile {index} has only {count} bytes; the file is damaged")
    elif not _plausible(form):
        raise ValueError(
            f"{sum(form.counts)} bytes cannot hold {form.width}x{form.height} pixels; the file is damaged"
        )


def _plausible(form: Form) -> bool:
    """Whether so few bytes can hold so many samples: deflate reaches 1032 to 1, picture codes far more."""
    most = 200_000 if form.compression in _PICTURE_CODES else 5_000
    return form.width * form.height * form.planes * form.bits // 8 <= most * max(sum(form.counts), 1)
