"""Samples of a TIFF or DNG: read row by row where they lie plainly, decoded where they are coded."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np

from panopipe.files.jpeg_codes import read_jpeg
from panopipe.files.samples import Array, Samples, WholeSamples, three_planes
from panopipe.files.tiff_form import COMPRESSIONS, PREDICTOR_REACH, Form

_PLAIN_BITS = (8, 16, 32)


def open_samples(path: Path, form: Form) -> Samples:
    """Open the samples of a form that `sample_form` checked.

    Raises
    ------
    ValueError
        If the samples are damaged.
    OSError
        If the file cannot be read.
    """
    plain = form.compression == 1 and form.bits in _PLAIN_BITS and not form.planar and form.predictor == 1
    if plain and form.planes == 3:
        return (PlainTiles if form.tiled else PlainStrips)(path, form)
    return WholeSamples(three_planes(decode_all(path, form)), "codec" if form.compression != 1 else "direct")


class _Plain(Samples):
    """Uncompressed samples, read from the file when asked for; nothing is held but one band.

    Plain reads, not a memory map: a file that shrinks or a share that goes away is then an error line
    and not the end of the process, and pages of the file do not count as memory of ours.
    """

    reader = "direct"

    def __init__(self, path: Path, form: Form) -> None:
        self.width, self.height = form.width, form.height
        self._form = form
        self.dtype = form.dtype
        self._is_swapped = not form.dtype.newbyteorder(form.order).isnative
        self._row_bytes = form.row_bytes()
        self._file: io.FileIO = path.open("rb", buffering=0)
        self._bytes = np.empty(0, np.uint8)

    def close(self) -> None:
        """See `Samples.close`."""
        self._file.close()
        self._bytes = np.empty(0, np.uint8)

    def rows(self, first: int, last: int) -> Array:
        """See `Samples.rows`."""
        data = self._buffer((last - first) * 3 * self.width * self.dtype.itemsize)
        rows: Array = data.view(self.dtype).reshape(last - first, self.width, 3)
        self.read_into(first, last, rows)
        return rows

    def _read(self, offset: int, into: Array) -> None:
        self._file.seek(offset)
        view = memoryview(into.data).cast("B")
        while view:
            count = self._file.readinto(view)
            if not count:
                raise OSError(f"the file ends at byte {self._file.tell()}; it was cut short while being read")
            view = view[count:]

    def _buffer(self, size: int) -> Array:
        if self._bytes.size < size:
            self._bytes = np.empty(size, np.uint8)
        return self._bytes[:size]


class PlainStrips(_Plain):
    """Uncompressed strips; those that follow each other in the file are read in one go."""

    def read_into(self, first: int, last: int, into: Array) -> None:
        """See `Samples.read_into`."""
        row = first
        while row < last:
            until = self._contiguous(row, last)
            self._read(self._offset(row), into[row - first : until - first])
            row = until
        if self._is_swapped:
            into.byteswap(inplace=True)

    def _offset(self, row: int) -> int:
        strip, inside = divmod(row, self._form.segment[0])
        return self._form.offsets[strip] + inside * self._row_bytes

    def _contiguous(self, row: int, last: int) -> int:
        """Row up to which the file goes on without a gap."""
        step = self._form.segment[0]
        until = (row // step + 1) * step
        while until < last and self._offset(until) == self._offset(row) + (until - row) * self._row_bytes:
            until += step
        return min(until, last)


class PlainTiles(_Plain):
    """Uncompressed tiles; only the rows asked for are read from each."""

    def __init__(self, path: Path, form: Form) -> None:
        super().__init__(path, form)
        self._tile = np.empty((0, form.segment[1], 3), form.dtype)

    def read_into(self, first: int, last: int, into: Array) -> None:
        """See `Samples.read_into`."""
        tile_rows, tile_columns = self._form.segment
        for band in range(first // tile_rows, -(-last // tile_rows)):
            top, bottom = max(first, band * tile_rows), min(last, (band + 1) * tile_rows)
            for column in range(self._form.grid[1]):
                tile = self._tile_part(band, column, top - band * tile_rows, bottom - top)
                left = column * tile_columns
                part = into[top - first : bottom - first, left : left + tile_columns]
                part[...] = tile[:, : part.shape[1]]
        if self._is_swapped:
            into.byteswap(inplace=True)

    def _tile_part(self, band: int, column: int, top: int, count: int) -> Array:
        if len(self._tile) < count:
            self._tile = np.empty((count, *self._tile.shape[1:]), self.dtype)
        index = band * self._form.grid[1] + column
        self._read(self._form.offsets[index] + top * self._row_bytes, self._tile[:count])
        return self._tile[:count]


def decode_all(path: Path, form: Form) -> Array:
    """Decode all samples: (height, width, planes) in the form's native type.

    Raises
    ------
    ValueError
        If a segment is damaged; it is named.
    OSError
        If the file cannot be read.
    """
    whole: Array = np.zeros((form.height, form.width, form.planes), form.dtype)
    with path.open("rb") as file:
        for index in range(len(form.offsets)):
            piece = decode_segment(file, form, index)
            per_plane, rest = form.grid[0] * form.grid[1], index
            plane, rest = divmod(rest, per_plane) if form.planar else (0, rest)
            top, left = (np.array(divmod(rest, form.grid[1])) * form.segment).tolist()
            planes = slice(plane, plane + 1) if form.planar else slice(None)
            part = whole[top : top + piece.shape[0], left : left + piece.shape[1], planes]
            part[...] = piece[: part.shape[0], : part.shape[1]]
    return whole


def decode_segment(file: io.BufferedReader, form: Form, index: int) -> Array:
    """Decode one strip or tile: (rows, columns, planes).

    Raises
    ------
    ValueError
        If it is damaged.
    OSError
        If the file cannot be read.
    """
    file.seek(form.offsets[index])
    data = file.read(form.counts[index])
    shape = (form.segment_rows(index), form.segment[1], form.segment_planes)
    try:
        return _decoded(data, form, shape)
    except Exception as error:  # each codec has exceptions of its own
        reason = " ".join(str(error).split())[:100] or type(error).__name__
        raise ValueError(
            f"strip or tile {index} of {len(form.offsets)} ({COMPRESSIONS[form.compression]}) is damaged "
            f"({reason}); export the frame again"
        ) from error


def _decoded(data: bytes, form: Form, shape: tuple[int, int, int]) -> Array:
    if form.compression in _PICTURE_DECODERS:
        array = np.asarray(_PICTURE_DECODERS[form.compression](data, form, int(np.prod(shape))))
        if array.size != int(np.prod(shape)):
            raise ValueError(f"it holds {array.shape}, not {shape}")
        if array.dtype.kind != form.kind:
            raise ValueError(f"its samples are {array.dtype}")
        return array.reshape(shape).astype(form.dtype, copy=False)
    unpacked = _UNPACKERS[form.compression](data, shape[0] * form.row_bytes())
    return _predicted(_unpacked(unpacked, form, shape), form)


def _jpeg(data: bytes, form: Form, samples: int) -> Any:
    """Lossless or baseline JPEG; a transform to YCbCr is undone as the markers say, as JFIF has it."""
    samples_read = read_jpeg(data, tables=form.tables, samples=samples)
    return imagecodecs.jpeg8_decode(data, tables=form.tables) if samples_read is None else samples_read


def _jpegxl(data: bytes, form: Form, _: int) -> Any:
    array = imagecodecs.jpegxl_decode(data, keeporientation=True)
    return array.astype(form.dtype) if form.kind == "f" else array


_PICTURE_DECODERS: dict[int, Callable[[bytes, Form, int], Any]] = {7: _jpeg, 34892: _jpeg, 52546: _jpegxl}


def _plain(data: bytes, size: int) -> Any:
    return data[:size]


def _deflate(data: bytes, size: int) -> Any:
    return imagecodecs.zlib_decode(data, out=size)


def _lzw(data: bytes, size: int) -> Any:
    return imagecodecs.lzw_decode(data, out=size + 1)  # one more: too many would be cut off unseen


def _packbits(data: bytes, size: int) -> Any:
    return imagecodecs.packbits_decode(data, out=size + 1)


def _zstandard(data: bytes, size: int) -> Any:
    return imagecodecs.zstd_decode(data, out=size)


_UNPACKERS: dict[int, Callable[[bytes, int], Any]] = {
    1: _plain, 5: _lzw, 8: _deflate, 32946: _deflate, 32773: _packbits, 50000: _zstandard,
}  # fmt: skip


def _unpacked(data: Any, form: Form, shape: tuple[int, int, int]) -> Array:
    """Bytes of a segment as samples, still predicted."""
    if len(data) != shape[0] * form.row_bytes():
        raise ValueError(f"it holds {len(data)} bytes, not {shape[0] * form.row_bytes()}")
    if form.predictor in (3, 34894, 34895):
        return np.frombuffer(data, np.uint8).reshape(shape[0], -1)
    if form.kind == "f" and form.bits == 24:
        return np.asarray(imagecodecs.float24_decode(data, byteorder=form.order)).reshape(shape)
    if form.bits not in _PLAIN_BITS:
        row = shape[1] * shape[2]
        unpacked = imagecodecs.packints_decode(data, form.dtype.char, form.bits, runlen=row)
        return np.asarray(unpacked).reshape(shape)
    return np.frombuffer(data, form.dtype.newbyteorder(form.order)).reshape(shape)


def _predicted(array: Array, form: Form) -> Array:
    """Undo the predictor."""
    reach = PREDICTOR_REACH[form.predictor]
    if form.predictor in (3, 34894, 34895):
        return _float_predicted(array, form, reach)
    array = array.astype(form.dtype, copy=False)
    if reach == 0:
        return array
    summed = np.empty_like(array)
    for start in range(reach):
        np.cumsum(array[:, start::reach], axis=1, dtype=form.dtype, out=summed[:, start::reach])
    return summed


def _float_predicted(array: Array, form: Form, reach: int) -> Array:
    """Floating point predictor: bytes are differences, and stand by significance, not by sample.

    Adobe Photoshop TIFF Technical Note 3 (2005); DNG 1.7.1 for the wider reaches.
    """
    step = reach * form.segment_planes
    size = form.bits // 8
    rows = array.shape[0]
    summed = np.empty_like(array)
    for start in range(step):
        np.cumsum(array[:, start::step], axis=1, dtype=np.uint8, out=summed[:, start::step])
    big_endian = summed.reshape(rows, size, -1).swapaxes(1, 2)
    if size == 3:
        flat = np.ascontiguousarray(big_endian).tobytes()
        values = np.asarray(imagecodecs.float24_decode(flat, byteorder=">"))
    else:
        values = np.ascontiguousarray(big_endian).view(f">f{size}")
    return values.reshape(rows, form.segment[1], form.segment_planes).astype(form.dtype)
