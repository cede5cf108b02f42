"""Reading a finished picture quickly at a fraction of its size, for the review."""

from __future__ import annotations

import struct

import cv2
import numpy as np
from numpy.typing import NDArray

_REDUCED = {8: cv2.IMREAD_REDUCED_COLOR_8, 4: cv2.IMREAD_REDUCED_COLOR_4, 2: cv2.IMREAD_REDUCED_COLOR_2}
_START_OF_FRAME = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
"""Markers that carry the size (ISO/IEC 10918-1, table B.1); C4, C8 and CC mean other things."""


def jpeg_size(data: bytes) -> tuple[int, int]:
    """Width and height of a JPEG, from its frame header.

    Raises
    ------
    ValueError
        If the bytes are no JPEG or end before the header does.
    """
    if data[:2] != b"\xff\xd8":
        raise ValueError("this is not a JPEG")
    at = 2
    while at + 9 <= len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if marker in _START_OF_FRAME:
            height, width = struct.unpack(">HH", data[at + 5 : at + 9])
            return width, height
        at += 1 if marker == 0xFF else 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    raise ValueError("this JPEG ends before its size is told")


def read_reduced(data: bytes, enough_px: int) -> NDArray[np.uint8]:
    """Decode a JPEG at the smallest of its own reductions (1/2, 1/4, 1/8) that is wide enough.

    The reduction happens in the decoder's cosine transform, so that most of the work is never done.

    Parameters
    ----------
    data : bytes
        The encoded picture.
    enough_px : int
        Width in pixels that must be left, if the picture has it.

    Returns
    -------
    ndarray of shape (height, width, 3), dtype uint8
        Red first, in the file's own codes; the orientation tag is not applied.

    Raises
    ------
    ValueError
        If the bytes are no JPEG that can be decoded.
    """
    width = jpeg_size(data)[0]
    reduction = next((by for by in _REDUCED if width >= by * enough_px), 1)
    flag = _REDUCED.get(reduction, cv2.IMREAD_COLOR) | cv2.IMREAD_IGNORE_ORIENTATION
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), flag)
    if picture is None:
        raise ValueError("the picture is cut short or damaged")
    return np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2RGB), dtype=np.uint8)
