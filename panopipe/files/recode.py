"""A finished JPEG made smaller by coding it a second time: for an upload that takes no larger one."""

from __future__ import annotations

from typing import cast

import cv2
import numpy as np

from panopipe.files.jpeg import JpegStream, Sampling, marker_segments

LOWEST_QUALITY, HIGHEST_QUALITY = 60, 95
"""Below the first, blocks show in smooth walls at a viewer's magnification (common practice, no source)."""
_APP1, _APP15, _SOF0 = 0xE1, 0xEF, 0xC0
_SAMPLINGS = {0x11: "4:4:4", 0x21: "4:2:2", 0x22: "4:2:0"}


def recoded(data: bytes, most_bytes: int) -> tuple[bytes, int]:
    """Code a JPEG again at the highest quality at which it is small enough.

    The picture stays as it is: size, chroma sampling, and all its metadata byte for byte.

    Parameters
    ----------
    data : bytes
        The file.
    most_bytes : int
        How large it may become.

    Returns
    -------
    bytes
        The new file.
    int
        Its quality, 1 to 100 as the JPEG library counts it.

    Raises
    ------
    ValueError
        If it is no JPEG, or too large at the lowest quality that is of use.
    """
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION)
    if picture is None:
        raise ValueError("the picture is cut short or damaged")
    metadata, sampling = _kept(data)
    low, high = LOWEST_QUALITY, HIGHEST_QUALITY
    best: tuple[bytes, int] | None = None
    while low <= high:
        quality = (low + high + 1) // 2
        coded = _coded(np.asarray(picture, dtype=np.uint8), quality, sampling, metadata)
        if len(coded) <= most_bytes:
            best, low = (coded, quality), quality + 1
        else:
            high = quality - 1
    if best is None:
        raise ValueError(
            f"is larger than {most_bytes / 1e6:g} MB even at quality {LOWEST_QUALITY}; export a smaller width"
        )
    return best


def _kept(data: bytes) -> tuple[list[bytes], Sampling]:
    """Metadata segments of a file as they are, and its chroma sampling."""
    try:
        segments = marker_segments(data)
    except IndexError as error:
        raise ValueError("the picture is cut short or damaged") from error
    metadata = [data[start:end] for marker, start, end in segments if _APP1 <= marker <= _APP15]
    frame = next((start for marker, start, _ in segments if marker == _SOF0), None)
    factors = data[frame + 11] if frame is not None else 0
    return metadata, cast("Sampling", _SAMPLINGS.get(factors, "4:4:4"))


def _coded(bgr: np.ndarray, quality: int, sampling: Sampling, metadata: list[bytes]) -> bytes:
    height, width = bgr.shape[:2]
    stream = JpegStream(width, height, quality=quality, sampling=sampling, segments=metadata)
    first = 0
    while first < height:
        space = stream.space(height - first)
        space[:] = bgr[first : first + len(space)]
        stream.fill(len(space))
        first += len(space)
    return bytes(stream.finish())
