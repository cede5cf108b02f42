"""Which reader gets the samples of a DNG: each form goes to one that is known to read it bit for bit.

Uncompressed samples are read directly. Lossless JPEG goes through the raw library, which decodes into its
own memory at once, and is held against the codec library before it is trusted: the raw library was seen
to decode several strips wrongly without an error. All else goes through the codec library: the raw library
refuses JPEG XL and LZW, ignores the file's own table on lossy JPEG, rescales floats above 1.0, and decodes
plain deflated floats to black (measured with LibRaw 0.22).
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import rawpy

from panopipe.files.samples import Array, Samples, TabledSamples
from panopipe.files.tiff_form import Form
from panopipe.files.tiff_samples import decode_segment, open_samples

_LOSSLESS_JPEG = 7


def open_dng_samples(path: Path, form: Form, table: Array | None) -> Samples:
    """Open the samples of a linear DNG, sent through its LinearizationTable if it has one.

    Raises
    ------
    ValueError
        If the samples are damaged.
    OSError
        If the file cannot be read.
    """
    if form.compression == _LOSSLESS_JPEG and not form.planar and (form.tiled or len(form.offsets) == 1):
        unpacked = _by_raw_library(path, form, table)
        if unpacked is not None:
            return unpacked
    samples = open_samples(path, form)
    if table is None:
        return samples
    if form.kind == "f":
        samples.close()
        raise ValueError("a LinearizationTable for floating point samples; the file is damaged")
    return TabledSamples(samples, table)


class RawLibrarySamples(Samples):
    """Samples as the raw library unpacks them: after the table, before black, nothing else done."""

    reader = "rawpy"

    def __init__(self, path: Path) -> None:
        with path.open("rb") as file:
            self._raw = rawpy.imread(file)
        try:
            image = np.asarray(self._raw.raw_image)
            if image.ndim != 3 or image.shape[2] != 4 or image.dtype != np.uint16:
                raise ValueError(
                    f"the raw library sees {image.dtype} of {image.shape}, not three planes in four"
                )
        except BaseException:
            self._raw.close()
            raise
        self._image: Array | None = image
        self.height, self.width = image.shape[:2]

    def rows(self, first: int, last: int) -> Array:
        """See `Samples.rows`."""
        if self._image is None:
            raise ValueError("the picture was closed")
        rows: Array = cv2.cvtColor(
            self._image[first:last], cv2.COLOR_RGBA2RGB
        )  # drops the empty fourth plane
        return rows

    def close(self) -> None:
        """See `Samples.close`."""
        self._image = None
        self._raw.close()


def _by_raw_library(path: Path, form: Form, table: Array | None) -> RawLibrarySamples | None:
    """Samples by the raw library, or None if it cannot read them as the codec library does."""
    try:
        samples = RawLibrarySamples(path)
    except OSError:
        raise
    except Exception:  # its own exceptions share no base with Python's; the codec library has the last word
        return None
    try:
        agree = (samples.width, samples.height) == (form.width, form.height) and _agrees(
            samples, path, form, table
        )
    except BaseException:
        samples.close()
        raise
    if not agree:
        samples.close()
        return None
    return samples


def _agrees(samples: RawLibrarySamples, path: Path, form: Form, table: Array | None) -> bool:
    """Whether first, middle and last tile are what the codec library makes of them.

    A single strip is the whole picture; there, twice the work would buy nothing that the header does not
    tell: the raw library reads it right when it codes three components of full width.
    """
    count = len(form.offsets)
    with path.open("rb") as file:
        if count == 1:
            file.seek(form.offsets[0])
            return _jpeg_size(file.read(min(form.counts[0], 65536))) == (form.height, form.width, 3)
        for index in sorted({0, count // 2, count - 1}):
            piece = decode_segment(file, form, index)
            piece = piece if table is None else np.take(table, piece, mode="clip")
            top, left = (np.array(divmod(index, form.grid[1])) * form.segment).tolist()
            seen = samples.rows(top, top + piece.shape[0])[:, left : left + piece.shape[1]]
            if not np.array_equal(seen, piece[: seen.shape[0], : seen.shape[1]]):
                return False
    return True


def _jpeg_size(data: bytes) -> tuple[int, int, int] | None:
    """Height, width and components of a lossless JPEG, from its frame header (ITU-T T.81, B.2.2)."""
    position = 2
    while position + 10 <= len(data) and data[position] == 0xFF:
        marker, length = data[position + 1], int.from_bytes(data[position + 2 : position + 4], "big")
        if marker == 0xC3:
            height, width = (int.from_bytes(data[position + i : position + i + 2], "big") for i in (5, 7))
            return height, width, data[position + 9]
        position += 2 + length
    return None
