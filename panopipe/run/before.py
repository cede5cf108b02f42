"""The picture of a frame as decoded, which the review shows beside the finished one."""

from __future__ import annotations

import numpy as np

from panopipe.colour.spaces import SRGB_FROM_WORKING
from panopipe.colour.transfer import srgb_encode
from panopipe.files.jpeg import preview_jpeg
from panopipe.frame import FrameFacts, Rows
from panopipe.pixels.matrix import transform_rows

QUALITY = 85


def before_jpeg(rows: Rows, facts: FrameFacts) -> bytes:
    """JPEG in sRGB of a reduced frame in the working space, turned back to the columns of the file."""
    turn = round(facts.anchor_column * rows.shape[1] / facts.width)
    light = np.clip(transform_rows(rows, SRGB_FROM_WORKING), 0, 1)
    coded = np.rint(np.roll(srgb_encode(light), turn, axis=1) * 255).astype(np.uint8)
    return bytes(preview_jpeg(coded, QUALITY))
