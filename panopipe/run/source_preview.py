"""The picture of a frame as decoded, which the review shows beside the finished one."""

from __future__ import annotations

import numpy as np

from panopipe.files.jpeg import preview_jpeg
from panopipe.frame import FrameFacts, Rows
from panopipe.pixels.code import GRAIN_WIDTH, SrgbCoder

QUALITY = 85


def preview_of_source(rows: Rows, facts: FrameFacts) -> bytes:
    """JPEG in sRGB of a reduced frame in the working space, turned back to the columns of the file."""
    width = rows.shape[1]
    turn = round(facts.anchor_column * width / facts.width) % width
    coder = SrgbCoder(np.zeros((1, GRAIN_WIDTH), np.int16))
    codes = np.empty(rows.shape, np.uint8)
    coder.code(rows, 0, turn=turn, out=codes)
    return bytes(preview_jpeg(codes[..., ::-1], QUALITY))
