"""When and how a frame was taken, without reading its pixels."""

from __future__ import annotations

import warnings
from pathlib import Path

from PIL import Image

from panopipe.capture import Capture
from panopipe.files.capture_read import capture_of_picture, capture_of_tiff
from panopipe.files.regular import open_regular
from panopipe.files.tiff import read_directories

_TIFF_STARTS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")


def capture_time(path: Path) -> str:
    """DateTimeOriginal of a picture file as EXIF writes it; empty if the file does not say or is damaged.

    Raises
    ------
    OSError
        If the file cannot be read at all.
    """
    return capture_of(path).taken or ""


def capture_of(path: Path) -> Capture:
    """Facts of a picture file's capture; none if it does not say or is damaged.

    Raises
    ------
    OSError
        If the file cannot be read at all.
    """
    with open_regular(path) as file:
        start = file.read(4)
    try:
        if start in _TIFF_STARTS:
            directories = read_directories(path)
            return capture_of_tiff(directories[0]) if directories else Capture()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # a damaged header is no reason to refuse a copy
            with Image.open(path) as picture:
                return capture_of_picture(picture)
    except (ValueError, OSError, SyntaxError):
        return Capture()
