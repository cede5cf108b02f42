"""The sRGB profile that finished pictures carry, the same bytes every time."""

from __future__ import annotations

import struct
from functools import cache

import numpy as np
from numpy.typing import NDArray

from panopipe.colour.adaptation import adaptation_matrix
from panopipe.colour.spaces import D65_XY, XYZ_FROM_SRGB, xyz_from_xy
from panopipe.colour.transfer import srgb_decode

_D50_PCS = (0.9642, 1.0, 0.8249)
"""White of the profile connection space (ICC.1:2022, 7.2.16)."""
_MADE = (2026, 1, 1, 0, 0, 0)
"""Date in the header: fixed, or two runs would give different files."""
_CURVE_POINTS = 4 * 255 + 1
"""Every 8-bit code lies on a point of the curve."""


@cache
def srgb_profile() -> bytes:
    """ICC profile of sRGB: version 2 (read by the oldest software too), matrix and curve.

    Returns
    -------
    bytes
        About 2.6 kB, the same on every machine and day.

    References
    ----------
    .. [1] ICC.1:2001-04, File Format for Color Profiles (version 2.4).
    .. [2] IEC 61966-2-1:1999, Default RGB colour space - sRGB.
    """
    to_d50 = adaptation_matrix(xyz_from_xy(D65_XY), _D50_PCS)
    red, green, blue = (to_d50 @ XYZ_FROM_SRGB).T
    curve = _curve()
    tags = {
        b"desc": _description("sRGB (IEC 61966-2-1)"),
        b"cprt": b"text\0\0\0\0" + b"CC0 1.0, no rights reserved\0",
        b"wtpt": _xyz(np.array(_D50_PCS)),
        b"chad": b"sf32\0\0\0\0" + _fixed(to_d50),
        b"rXYZ": _xyz(red),
        b"gXYZ": _xyz(green),
        b"bXYZ": _xyz(blue),
        b"rTRC": curve,
        b"gTRC": curve,
        b"bTRC": curve,
    }
    return _assembled(tags)


def _assembled(tags: dict[bytes, bytes]) -> bytes:
    """Header, tag table and tag data; tags of the same content share it."""
    start = 128 + 4 + 12 * len(tags)
    table, data, places = struct.pack(">I", len(tags)), b"", dict[bytes, int]()
    for name, content in tags.items():
        if content not in places:
            places[content] = start + len(data)
            data += content + bytes(-len(content) % 4)
        table += name + struct.pack(">II", places[content], len(content))
    return _header(start + len(data)) + table + data


def _header(size: int) -> bytes:
    """The 128 bytes of ICC.1:2001-04, 6.1: a display profile, RGB to XYZ, perceptual intent."""
    head = struct.pack(">I4sI4s4s4s", size, b"\0" * 4, 0x02400000, b"mntr", b"RGB ", b"XYZ ")
    head += struct.pack(">6H4s", *_MADE, b"acsp")
    head = head.ljust(68, b"\0") + _fixed(np.array(_D50_PCS))
    return head.ljust(128, b"\0")


def _fixed(values: NDArray[np.float64]) -> bytes:
    """s15Fixed16 numbers."""
    return np.round(values * 65536).astype(">i4").tobytes()


def _xyz(values: NDArray[np.float64]) -> bytes:
    return b"XYZ \0\0\0\0" + _fixed(values)


def _curve() -> bytes:
    light = srgb_decode(np.arange(_CURVE_POINTS) / (_CURVE_POINTS - 1))
    return (
        b"curv\0\0\0\0" + struct.pack(">I", _CURVE_POINTS) + np.round(light * 65535).astype(">u2").tobytes()
    )


def _description(text: str) -> bytes:
    """Text of version 2: ASCII, then empty Unicode and script versions."""
    ascii_text = text.encode("ascii") + b"\0"
    return b"desc\0\0\0\0" + struct.pack(">I", len(ascii_text)) + ascii_text + bytes(4 + 4 + 2 + 1 + 67)
