"""The EXIF of a finished picture: facts of the shot and rights, nothing that betrays or misleads.

Left out on purpose: thumbnails (they would show the unretouched picture), maker notes, serial numbers, the
owner's name, and the position unless it is asked for.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterable, Mapping
from fractions import Fraction
from typing import Any, Literal, NamedTuple

from panopipe.capture import Capture
from panopipe.files.imprint import Imprint, of_camera

Kind = Literal["byte", "ascii", "short", "long", "rational", "undefined", "srational"]

_CODES: dict[Kind, int] = {
    "byte": 1,
    "ascii": 2,
    "short": 3,
    "long": 4,
    "rational": 5,
    "undefined": 7,
    "srational": 10,
}
"""Type numbers of TIFF 6.0, section 2, and CIPA DC-008."""
_EXIF_POINTER, _GPS_POINTER = 34665, 34853
_HEADER = struct.pack("<2sHI", b"II", 42, 8)
_LONGEST_GPS = 100
"""Bytes taken over of one tag of a position."""
_LARGEST = {"rational": 0xFFFFFFFF, "srational": 0x7FFFFFFF}

_GPS_KINDS: dict[int, Kind] = {
    **dict.fromkeys((0, 5), "byte"),
    **dict.fromkeys((1, 3, 8, 9, 10, 12, 14, 16, 18, 19, 21, 23, 25, 29), "ascii"),
    **dict.fromkeys((2, 4, 6, 7, 11, 13, 15, 17, 20, 22, 24, 26, 31), "rational"),
    **dict.fromkeys((27, 28), "undefined"),
    30: "short",
}
"""Types of the GPS tags (CIPA DC-008, table 15)."""


class _Entry(NamedTuple):
    tag: int
    kind: Kind
    values: int
    data: bytes


def exif_block(capture: Capture, imprint: Imprint, *, keep_position: bool = False) -> bytes:
    """TIFF structure for the EXIF segment of a JPEG.

    Parameters
    ----------
    capture : Capture
        How the frame was taken; what is None is left out.
    imprint : Imprint
        Size and owner; where it names none, what the camera wrote is kept.
    keep_position : bool
        Whether the GPS directory goes along.

    Returns
    -------
    bytes
        Little-endian TIFF, without the `Exif` header of the segment.

    References
    ----------
    .. [1] CIPA DC-008-2023, Exchangeable image file format for digital still cameras: Exif Version 3.0.
    """
    main = _texts(
        {
            271: of_camera(capture.make),
            272: of_camera(capture.model),
            305: imprint.software,
            306: of_camera(capture.taken),
            315: imprint.creator or of_camera(capture.artist),
            33432: imprint.copyright or of_camera(capture.copyright),
        }
    )
    main.append(_entry(274, "short", [1]))  # decode already turned the picture upright
    gps = _gps_entries(capture.gps) if keep_position else []
    return _assembled(main, _shot_entries(capture, imprint), gps)


def _shot_entries(capture: Capture, imprint: Imprint) -> list[_Entry]:
    taken = of_camera(capture.taken)
    entries = _texts({36867: taken, 36868: taken, 36881: of_camera(capture.offset)})
    entries += _texts({42036: of_camera(capture.lens)})
    entries += _numbers("rational", {33434: capture.exposure_s, 33437: capture.f_number})
    entries += _numbers("srational", {37380: capture.exposure_bias_ev})
    entries += _numbers("rational", {37386: capture.focal_length_mm})
    if capture.iso is not None and 0 < capture.iso < math.inf:
        entries.append(_entry(34855, "short", [min(round(capture.iso), 65535)]))
    entries.append(_entry(36864, "undefined", b"0232"))
    entries.append(_entry(40961, "short", [1]))  # ColorSpace: sRGB
    entries += [_entry(40962, "long", [imprint.width]), _entry(40963, "long", [imprint.height])]
    return entries


def _texts(values: Mapping[int, str]) -> list[_Entry]:
    """Text tags; UTF-8 in the ASCII type, as readers in the field expect it."""
    cleaned = ((tag, _clean(text)) for tag, text in values.items() if text)
    return [_entry(tag, "ascii", text.encode() + b"\0") for tag, text in cleaned if text]


def _clean(text: str) -> str:
    """Text up to the first zero byte (which would end it anyway), without what UTF-8 cannot hold."""
    return text.split("\0", 1)[0].encode("utf-8", "replace").decode().strip()


def _numbers(kind: Kind, values: Mapping[int, float | None]) -> list[_Entry]:
    entries = []
    for tag, value in values.items():
        ratio = None if value is None else _ratio(value, kind)
        if ratio is not None:
            entries.append(_entry(tag, kind, ratio))
    return entries


def _ratio(value: float, kind: Kind) -> tuple[int, int] | None:
    """Nearest fraction that fits the type, or None: a rational tag holds no endless and no wrong sign."""
    largest = _LARGEST[kind]
    if not math.isfinite(value) or abs(value) > largest or (kind == "rational" and value < 0):
        return None
    fraction = Fraction(value).limit_denominator(1_000_000)
    if abs(fraction.numerator) > largest:
        fraction = Fraction(round(value))
    return fraction.numerator, fraction.denominator


def _gps_entries(gps: Mapping[int, object]) -> list[_Entry]:
    """The directory as the camera wrote it; a value that does not fit its tag is left out."""
    entries = []
    for tag, value in gps.items():
        kind = _GPS_KINDS.get(tag)
        data = None if kind is None else _gps_data(value, kind)
        if kind is not None and data:
            entries.append(_entry(tag, kind, data))
    return entries


def _gps_data(value: object, kind: Kind) -> bytes | list[int] | None:
    try:
        match kind:
            case "ascii":
                text = value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)
                return _clean(text).encode()[:_LONGEST_GPS] + b"\0"
            case "rational":
                return _ratios(value)
            case "short":
                return [number] if 0 <= (number := int(value)) <= 0xFFFF else None  # type: ignore[call-overload]
            case _:
                return (value if isinstance(value, bytes) else bytes(_listed(value)))[:_LONGEST_GPS]
    except (TypeError, ValueError, ArithmeticError):
        return None


def _ratios(value: object) -> list[int] | None:
    """Numbers, fractions, (numerator, denominator) pairs or a flat list of them, as TIFF rationals."""
    items = _listed(value)
    if all(isinstance(item, int) for item in items) and len(items) in (2, 6):
        items = list(zip(items[::2], items[1::2], strict=True))
    numbers: list[int] = []
    for item in items:
        ratio = tuple(item) if isinstance(item, tuple | list) else _ratio(float(item), "rational")
        if ratio is None or len(ratio) != 2 or not all(0 <= part <= 0xFFFFFFFF for part in ratio):
            return None
        numbers += [int(part) for part in ratio]
    return numbers


def _listed(value: object) -> list[Any]:
    return list(value) if isinstance(value, Iterable) else [value]


def _entry(tag: int, kind: Kind, values: bytes | Iterable[int]) -> _Entry:
    if isinstance(values, bytes):
        return _Entry(tag, kind, len(values), values)
    numbers = list(values)
    letter = {"byte": "B", "short": "H", "long": "I", "rational": "I", "srational": "i", "undefined": "B"}[
        kind
    ]
    count = len(numbers) // 2 if kind in _LARGEST else len(numbers)
    return _Entry(tag, kind, count, struct.pack(f"<{len(numbers)}{letter}", *numbers))


def _assembled(main: list[_Entry], shot: list[_Entry], gps: list[_Entry]) -> bytes:
    """Lay the directories out one behind the other; each holds its values at its own end."""
    pointers = [_EXIF_POINTER] + [_GPS_POINTER] * bool(gps)
    placed = [_entry(tag, "long", [0]) for tag in pointers]
    shot_at = len(_HEADER) + len(_directory(main + placed, 0))
    shot_bytes = _directory(shot, shot_at)
    places = [shot_at, shot_at + len(shot_bytes)]
    placed = [_entry(tag, "long", [place]) for tag, place in zip(pointers, places, strict=False)]
    gps_bytes = _directory(gps, places[1]) if gps else b""
    return _HEADER + _directory(main + placed, len(_HEADER)) + shot_bytes + gps_bytes


def _directory(entries: list[_Entry], start: int) -> bytes:
    """An image file directory at offset `start`, with the values that do not fit into its entries."""
    table, values = struct.pack("<H", len(entries)), b""
    values_at = start + 2 + 12 * len(entries) + 4
    for entry in sorted(entries):
        place = entry.data.ljust(4, b"\0")
        if len(entry.data) > 4:
            place = struct.pack("<I", values_at + len(values))
            values += entry.data + bytes(len(entry.data) % 2)
        table += struct.pack("<HHI", entry.tag, _CODES[entry.kind], entry.values) + place
    return table + bytes(4) + values
