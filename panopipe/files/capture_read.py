"""How a frame was taken, as its file tells: EXIF, GPS and the pose in its sphere metadata."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any
from xml.etree import ElementTree

from PIL import Image

from panopipe.capture import Capture
from panopipe.files.tiff import Directory

_GPANO = "{http://ns.google.com/photos/1.0/panorama/}"
_DESCRIPTION = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}Description"
_POSE = {"heading_deg": "PoseHeadingDegrees", "pitch_deg": "PosePitchDegrees", "roll_deg": "PoseRollDegrees"}
_TEXTS = {"make": 271, "model": 272, "artist": 315, "copyright": 33432}
_SHOT_TEXTS = {"taken": 36867, "offset": 36881, "lens": 42036}
_SHOT_NUMBERS = {
    "exposure_s": 33434, "f_number": 33437, "iso": 34855, "exposure_bias_ev": 37380, "focal_length_mm": 37386,
}  # fmt: skip
_LONGEST_XMP = 4_000_000


def capture_of_tiff(first: Directory, sphere: Directory | None = None) -> Capture:
    """Facts from the first directory of a TIFF or DNG.

    Parameters
    ----------
    first : Directory
        The file's first directory, which holds the pointers to EXIF and GPS.
    sphere : Directory, optional
        Where else an XMP packet may stand.
    """
    shot = first.below(34665)
    packet = first.data(700) or (sphere.data(700) if sphere else None)
    return _capture(
        {name: first.text(code) for name, code in _TEXTS.items()},
        shot.values,
        dict(first.below(34853).values),
        packet,
    )


def capture_of_picture(picture: Image.Image) -> Capture:
    """Facts from an opened JPEG or PNG, whose pixels need not be loaded."""
    exif = picture.getexif()
    packet = picture.info.get("xmp") or picture.info.get("XML:com.adobe.xmp")
    gps = {code: _plain_gps(value) for code, value in exif.get_ifd(34853).items()}
    return _capture(
        {name: exif.get(code) for name, code in _TEXTS.items()},
        exif.get_ifd(34665),
        gps,
        packet.encode() if isinstance(packet, str) else packet,
    )


def _capture(
    texts: Mapping[str, Any], shot: Mapping[int, Any], gps: Mapping[int, object], packet: bytes | None
) -> Capture:
    facts: dict[str, Any] = {name: _text(value) for name, value in texts.items()}
    facts |= {name: _text(shot.get(code)) for name, code in _SHOT_TEXTS.items()}
    facts |= {name: _number(shot.get(code)) for name, code in _SHOT_NUMBERS.items()}
    facts |= _pose(packet)
    return Capture(gps=gps, **facts)


def _text(value: object) -> str | None:
    if isinstance(value, bytes):
        value = value.decode("utf-8", "replace")
    if not isinstance(value, str):
        return None
    return value.split("\0", 1)[0].strip() or None


def _number(value: Any) -> float | None:
    """Read a number from a rational in any of the forms the libraries give; None if it is none."""
    try:
        if isinstance(value, tuple | list):
            value = value[0] / value[1] if len(value) == 2 else value[0]
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError, IndexError):
        return None
    return number if math.isfinite(number) else None


def _plain_gps(value: Any) -> object:
    """GPS values as text, bytes, or numerators and denominators in turn, without the library's types."""
    if isinstance(value, str | bytes | int):
        return value
    parts = value if isinstance(value, tuple) else (value,)
    flat: list[int] = []
    for part in parts:
        if hasattr(part, "numerator") and hasattr(part, "denominator"):
            flat += [int(part.numerator), int(part.denominator)]
    return tuple(flat)


def _pose(packet: bytes | None) -> dict[str, float | None]:
    """Pose of the sphere's centre from an XMP packet; nothing if there is none or it is no XML."""
    if not packet or len(packet) > _LONGEST_XMP or b"<!" in packet:  # a packet needs no declarations
        return {}
    try:
        root = ElementTree.fromstring(packet.strip(b"\0 \n\r\t"))
    except (ElementTree.ParseError, LookupError, ValueError):
        return {}
    angles: dict[str, float | None] = {}
    for description in root.iter(_DESCRIPTION):
        for name, word in _POSE.items():
            value = description.get(_GPANO + word, description.findtext(_GPANO + word))
            if value is not None:
                angles[name] = _number(value)
    return angles
