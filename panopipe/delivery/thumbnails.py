"""Small pictures for the statement, from the thumbnails of the review."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from panopipe.files.jpeg import preview_jpeg
from panopipe.frame import FrameKey
from panopipe.job import REVIEW
from panopipe.review import assets

_SIZE = (480, 240)
"""Twice the size it is shown at, for screens with small pixels and for print."""
_QUALITY = 74


def thumbnail(job_folder: Path, key: FrameKey) -> bytes:
    """Small JPEG of a frame; empty if the review has none."""
    path = assets.names(job_folder / REVIEW, key).thumbnail
    try:
        coded = np.frombuffer(path.read_bytes(), np.uint8)
    except OSError:
        return b""
    picture = cv2.imdecode(coded, cv2.IMREAD_COLOR) if len(coded) else None
    if picture is None:
        return b""
    small = cv2.resize(picture, _SIZE, interpolation=cv2.INTER_AREA)
    return preview_jpeg(np.asarray(cv2.cvtColor(small, cv2.COLOR_BGR2RGB), dtype=np.uint8), _QUALITY)
