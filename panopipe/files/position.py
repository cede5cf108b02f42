"""Whether a finished picture says where it was taken."""

from __future__ import annotations

import io
import warnings

from PIL import Image

from panopipe.files.jpeg import marker_segments

_GPS_POINTER, _GPS_VERSION = 34853, 0
_IN_XMP = (b"GPSLatitude", b"GPSLongitude")
"""Properties of the EXIF namespace of XMP (ISO 16684-1; CIPA DC-010)."""


def holds_position(data: bytes) -> bool:
    """Whether the metadata of a JPEG hold a position: a GPS directory in its EXIF, or the same in its XMP.

    Raises
    ------
    ValueError
        If it is no picture.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(data)) as picture:
                gps = picture.getexif().get_ifd(_GPS_POINTER)
    except (OSError, SyntaxError, ValueError) as error:
        raise ValueError("is no picture that can be read") from error
    head = data[: _end_of_head(data)]
    return bool(set(gps) - {_GPS_VERSION}) or any(name in head for name in _IN_XMP)


def _end_of_head(data: bytes) -> int:
    try:
        return marker_segments(data)[-1][1]
    except IndexError:
        return len(data)
