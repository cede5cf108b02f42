"""Baseline JPEG, coded while the rows arrive.

Rows are coded in strips of whole block rows and the strips are joined by restart markers, one for each
block row (ISO/IEC 10918-1, B.2.4.4 and E.1.4), so that no frame is ever held as 8-bit pixels. The bytes
are those of coding the whole frame at once with the same restart interval, however the rows were cut.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[np.uint8]
"""uint8 (rows, width, 3), red, green, blue."""

Sampling = Literal["4:4:4", "4:2:2", "4:2:0"]

_FACTORS: dict[Sampling, tuple[int, int, int]] = {
    "4:4:4": (cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444, 8, 8),
    "4:2:2": (cv2.IMWRITE_JPEG_SAMPLING_FACTOR_422, 16, 8),
    "4:2:0": (cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420, 16, 16),
}
"""Name of the chroma sampling: the library's word for it, width and height of a minimum coded unit."""

LONGEST_SIDE = 65535
"""Sides are 16-bit fields of the frame header (ISO/IEC 10918-1, B.2.2)."""
_LONGEST_SEGMENT = 65533
"""A segment's 16-bit length counts itself."""
_AT_ONCE_PIXELS = 1 << 18
"""Pixels coded at a time: their codes fit the processor's second cache."""
_EXIF = b"Exif\0\0"
_XMP = b"http://ns.adobe.com/xap/1.0/\0"
_ICC = b"ICC_PROFILE\0"
_APP1, _APP2, _APP15, _SOF0, _SOS = 0xE1, 0xE2, 0xEF, 0xC0, 0xDA
_RST0, _RST7 = 0xD0, 0xD7


class JpegStream:
    """A JPEG that is coded row by row.

    Parameters
    ----------
    width, height : int
        Pixels of the whole picture.
    quality : int
        1 to 100; 50 is the quantiser of annex K.
    sampling : {"4:4:4", "4:2:2", "4:2:0"}
        Chroma sampling.
    segments : sequence of bytes
        Marker segments to put behind the JFIF header, as `metadata_segments` makes them.

    Raises
    ------
    ValueError
        If the picture is empty or a side is over 65535 pixels.
    """

    def __init__(
        self,
        width: int,
        height: int,
        *,
        quality: int,
        sampling: Sampling = "4:4:4",
        segments: Sequence[bytes] = (),
    ) -> None:
        if not (1 <= width <= LONGEST_SIDE and 1 <= height <= LONGEST_SIDE):
            raise ValueError(f"{width}x{height} does not fit a JPEG; a side has 1 to {LONGEST_SIDE} pixels")
        factor, unit_width, self._unit_height = _FACTORS[sampling]
        self._options = [cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, factor]
        self._options += [cv2.IMWRITE_JPEG_RST_INTERVAL, -(-width // unit_width)]
        self._width, self._height = width, height
        self._segments = segments
        at_once = max(_AT_ONCE_PIXELS // width // self._unit_height, 1) * self._unit_height
        self._bgr = np.empty((min(at_once, height), width, 3), np.uint8)
        self._filled = self._rows = 0
        self._restarts = 0
        self._coded = bytearray()

    def space(self, rows: int) -> Pixels:
        """Memory for the next rows, at most so many, to write blue, green and red into; then `fill` it.

        Raises
        ------
        ValueError
            If there are no more rows in the picture.
        """
        if self._rows + rows > self._height:
            raise ValueError(f"{rows} rows more do not fit {self._width}x{self._height} here")
        return self._bgr[self._filled : self._filled + rows]

    def fill(self, rows: int) -> None:
        """So many rows of `space` were written; they are coded as soon as there are enough."""
        self._filled += rows
        self._rows += rows
        if self._filled == len(self._bgr) or self._rows == self._height:
            self._code(self._bgr[: self._filled])
            self._filled = 0

    def take(self, rgb8: Pixels) -> None:
        """Take the next rows, uint8 (n, width, 3), red first.

        Raises
        ------
        ValueError
            If the rows have another width, or are too many.
        """
        if rgb8.shape[1:] != (self._width, 3):
            raise ValueError(f"rows of shape {rgb8.shape} do not fit {self._width}x{self._height} here")
        while len(rgb8):
            space = self.space(len(rgb8))
            cv2.cvtColor(rgb8[: len(space)], cv2.COLOR_RGB2BGR, dst=space)
            rgb8 = rgb8[len(space) :]
            self.fill(len(space))

    def _code(self, bgr: Pixels) -> None:
        done, coded = cv2.imencode(".jpg", bgr, self._options)
        if not done:
            raise ValueError(f"the JPEG library refused {bgr.shape}")
        start = _entropy_start(coded)
        if not self._coded:
            self._coded += _head(coded[:start].tobytes(), self._height, self._segments)
        else:
            self._coded += self._restart_marker()
        self._coded += self._renumbered(coded[start:-2]).data

    def _restart_marker(self) -> bytes:
        marker = bytes((0xFF, _RST0 + self._restarts % 8))
        self._restarts += 1
        return marker

    def _renumbered(self, scan: Pixels) -> Pixels:
        """Let the strip's restart markers go on counting from the strip before, modulo 8."""
        # In entropy-coded data 0xFF is followed by 0 unless it starts a marker (B.1.1.5).
        after = np.flatnonzero(scan[:-1] == 0xFF) + 1
        after = after[(scan[after] >= _RST0) & (scan[after] <= _RST7)]
        scan[after] = _RST0 + (self._restarts + np.arange(len(after))) % 8
        self._restarts += len(after)
        return scan

    def finish(self) -> memoryview:
        """All rows were taken: the whole file.

        Raises
        ------
        ValueError
            If rows are missing.
        """
        if self._rows != self._height:
            raise ValueError(f"only {self._rows} of {self._height} rows were taken")
        self._coded += b"\xff\xd9"
        return memoryview(self._coded)


def encode_jpeg(
    rgb8: Pixels,
    *,
    quality: int,
    sampling: Sampling = "4:4:4",
    exif: bytes = b"",
    xmp: bytes = b"",
    icc: bytes = b"",
) -> bytes:
    """Code a picture that is at hand as a whole.

    Parameters
    ----------
    rgb8 : ndarray of shape (height, width, 3), dtype uint8
        Coded values as they shall stand in the file.
    quality : int
        1 to 100.
    sampling : {"4:4:4", "4:2:2", "4:2:0"}
        Chroma sampling.
    exif, xmp, icc : bytes
        TIFF structure, XMP packet and profile without their JPEG headers; empty for none.

    Raises
    ------
    ValueError
        If a side or a piece of metadata is too long for a JPEG.
    """
    height, width = rgb8.shape[:2]
    segments = metadata_segments(exif=exif, xmp=xmp, icc=icc)
    stream = JpegStream(width, height, quality=quality, sampling=sampling, segments=segments)
    stream.take(rgb8)
    return bytes(stream.finish())


def preview_jpeg(rgb8: Pixels, quality: int = 88) -> bytes:
    """Code a small picture for the screen: 4:2:0, no metadata."""
    return encode_jpeg(rgb8, quality=quality, sampling="4:2:0")


def metadata_segments(*, exif: bytes = b"", xmp: bytes = b"", icc: bytes = b"") -> list[bytes]:
    """Marker segments in the order that readers expect: EXIF, XMP, then the profile.

    Raises
    ------
    ValueError
        If EXIF or XMP is longer than one segment.

    References
    ----------
    .. [1] CIPA DC-008-2023 (Exif 3.0), 4.7.2; ISO 16684-3 (XMP part 3), 1.1.3; ICC.1:2022, annex B.4.
    """
    segments = []
    if exif:
        segments.append(_segment(_APP1, _EXIF + exif, "EXIF"))
    if xmp:
        segments.append(_segment(_APP1, _XMP + xmp, "XMP"))
    room = _LONGEST_SEGMENT - len(_ICC) - 2
    count = -(-len(icc) // room)
    for number in range(count):
        part = icc[number * room : (number + 1) * room]
        segments.append(_segment(_APP2, _ICC + bytes((number + 1, count)) + part, "ICC profile"))
    return segments


def relabelled(data: bytes, segments: Sequence[bytes]) -> bytes:
    """A JPEG of `JpegStream` with other marker segments behind its JFIF header, its picture as it is.

    Raises
    ------
    ValueError
        If it is cut short.
    """
    try:
        (_, _, jfif_end), *others = marker_segments(data)
    except IndexError as error:
        raise ValueError("the picture is cut short") from error
    kept = [data[start:end] for marker, start, end in others if not _APP1 <= marker <= _APP15]
    return b"".join((data[:jfif_end], *segments, *kept, data[others[-1][2] :]))


def width_of(data: bytes) -> int:
    """Width of a JPEG of `JpegStream`, as its frame header gives it.

    Raises
    ------
    ValueError
        If it is cut short before.
    """
    try:
        (frame,) = (start for marker, start, _ in marker_segments(data) if marker == _SOF0)
    except IndexError as error:
        raise ValueError("the picture is cut short") from error
    return int.from_bytes(data[frame + 7 : frame + 9], "big")


def _segment(marker: int, payload: bytes, what: str) -> bytes:
    if len(payload) > _LONGEST_SEGMENT:
        raise ValueError(f"{what} of {len(payload)} bytes is too long for a JPEG; shorten the texts in it")
    return struct.pack(">BBH", 0xFF, marker, len(payload) + 2) + payload


def marker_segments(head: Pixels | bytes) -> list[tuple[int, int, int]]:
    """Marker, start and end of each segment from behind SOI to SOS.

    Raises
    ------
    IndexError
        If the file ends before.
    """
    segments, place = [], 2
    while True:
        marker, length = int(head[place + 1]), int(head[place + 2]) * 256 + int(head[place + 3])
        segments.append((marker, place, place + 2 + length))
        place += 2 + length
        if marker == _SOS:
            return segments


def _entropy_start(coded: Pixels) -> int:
    return marker_segments(coded)[-1][2]


def _head(head: bytes, height: int, segments: Sequence[bytes]) -> bytes:
    """Header of a strip made that of the whole picture: its height, and metadata behind JFIF."""
    (_, _, jfif_end), *_ = marker_segments(head)
    (frame,) = (start for marker, start, _ in marker_segments(head) if marker == _SOF0)
    sized = head[: frame + 5] + struct.pack(">H", height) + head[frame + 7 :]
    return sized[:jfif_end] + b"".join(segments) + sized[jfif_end:]
