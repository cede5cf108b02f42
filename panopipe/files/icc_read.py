"""Reading an ICC profile of the matrix and curves kind: what a picture's codes mean as light.

ICC.1:2022 (profile version 4.4), clauses 7.2 (header), 8.3.3 (three-component matrix-based input profiles),
8.4.3 (the same for displays), 10.6 (curveType) and 10.18 (parametricCurveType).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panopipe.colour.adaptation import adaptation_matrix
from panopipe.colour.spaces import D65_XY, WORKING_FROM_XYZ, Matrix, xyz_from_xy

Floats = NDArray[np.float64]

_PCS_WHITE = (0.9642, 1.0, 0.8249)
"""White of the profile connection space (ICC.1:2022, clause 7.2.16)."""
_PARAMETERS = {0: "g", 1: "gab", 2: "gabc", 3: "gabcd", 4: "gabcdef"}
_MOST_TAGS = 256


@dataclass(frozen=True, slots=True)
class Profile:
    """A matrix profile.

    Attributes
    ----------
    name : str
        Its description.
    curves : tuple of bytes
        The red, green and blue curve as the profile holds them.
    pcs_from_linear : ndarray of shape (3, 3), dtype float64
        Linear light to XYZ under D50.
    """

    name: str
    curves: tuple[bytes, bytes, bytes]
    pcs_from_linear: Matrix

    def light(self, codes: Floats) -> Floats:
        """Linear light of codes in 0 to 1: shape (n,) to (3, n).

        Raises
        ------
        ValueError
            If a curve is of an unknown kind.
        """
        return np.stack([_curve(data, codes) for data in self.curves])

    def working_from_linear(self) -> Matrix:
        """Linear light to the working space; the profile's white becomes (1, 1, 1)."""
        white = xyz_from_xy(D65_XY)
        matrix: Matrix = WORKING_FROM_XYZ @ adaptation_matrix(_PCS_WHITE, white) @ self.pcs_from_linear
        # The profile's 16-bit fractions leave its white a hair off: neutral shall be neutral.
        neutral: Matrix = matrix / matrix.sum(axis=1, keepdims=True)
        return neutral


def read_profile(data: bytes) -> Profile:
    """Read a profile for RGB pictures.

    Raises
    ------
    ValueError
        If the bytes are no profile, or one that works by tables instead of a matrix and curves.
    """
    try:
        return _read(data)
    except (struct.error, IndexError, UnicodeDecodeError) as error:
        raise ValueError("the colour profile is damaged; save the picture with another") from error


def _read(data: bytes) -> Profile:
    if len(data) < 132 or data[36:40] != b"acsp":
        raise ValueError("the colour profile is damaged; save the picture with another")
    space = data[16:20].decode("ascii", "replace").strip()
    if space != "RGB":
        raise ValueError(f"the colour profile is for {space} pictures; panopipe takes RGB")
    tags = _tags(data)
    name = _description(tags.get(b"desc", b""))
    wanted = (b"rXYZ", b"gXYZ", b"bXYZ", b"rTRC", b"gTRC", b"bTRC")
    missing = [key.decode() for key in wanted if key not in tags]
    if missing or data[20:24] != b"XYZ ":
        raise ValueError(
            f'the colour profile "{name}" works by tables, not by a matrix and curves; convert the picture '
            "to sRGB or another matrix profile"
        )
    columns = [_xyz(tags[key]) for key in wanted[:3]]
    matrix = np.array(columns).T
    if not np.all(np.isfinite(matrix)) or abs(np.linalg.det(matrix)) < 1e-6:
        raise ValueError(f'the colour profile "{name}" has a matrix that is no colour space')
    return Profile(name, (tags[b"rTRC"], tags[b"gTRC"], tags[b"bTRC"]), matrix)


def _tags(data: bytes) -> dict[bytes, bytes]:
    count = min(struct.unpack_from(">I", data, 128)[0], _MOST_TAGS)
    tags = {}
    for i in range(count):
        key, offset, size = struct.unpack_from(">4sII", data, 132 + 12 * i)
        tags[key] = data[offset : offset + size]
    return tags


def _xyz(tag: bytes) -> tuple[float, float, float]:
    x, y, z = struct.unpack_from(">iii", tag, 8)
    return x / 65536, y / 65536, z / 65536


def _description(tag: bytes) -> str:
    """Text of a description, as version 2 (ASCII) or version 4 (UTF-16, first language) writes it."""
    if tag[:4] == b"desc":
        length = struct.unpack_from(">I", tag, 8)[0]
        return tag[12 : 12 + min(length, 200)].split(b"\0")[0].decode("ascii", "replace")
    if tag[:4] == b"mluc":
        length, offset = struct.unpack_from(">II", tag, 20)
        return tag[offset : offset + min(length, 400)].decode("utf-16-be", "replace")
    return "without a name"


def _curve(tag: bytes, codes: Floats) -> Floats:
    if tag[:4] == b"para":
        return _parametric(tag, codes)
    if tag[:4] != b"curv":
        raise ValueError(f"a curve of the unknown kind {tag[:4]!r} in the colour profile")
    count = struct.unpack_from(">I", tag, 8)[0]
    if count == 0:
        return codes
    if count == 1:
        return np.asarray(codes ** (struct.unpack_from(">H", tag, 12)[0] / 256))
    if 12 + 2 * count > len(tag):
        raise ValueError("a curve of the colour profile is cut short")
    points = np.frombuffer(tag, ">u2", count, 12) / 65535
    return np.asarray(np.interp(codes, np.linspace(0, 1, count), points))


def _parametric(tag: bytes, codes: Floats) -> Floats:
    kind = struct.unpack_from(">H", tag, 8)[0]
    if kind not in _PARAMETERS:
        raise ValueError(f"a parametric curve of the unknown kind {kind} in the colour profile")
    names = _PARAMETERS[kind]
    values = (value / 65536 for value in struct.unpack_from(f">{len(names)}i", tag, 12))
    p = {"a": 1.0, "b": 0.0, "c": 0.0, "d": 0.0, "e": 0.0, "f": 0.0} | dict(zip(names, values, strict=True))
    if kind in (1, 2):
        # Y = (aX + b)^g + c from X = -b/a up, and c below it.
        p |= {"d": -p["b"] / p["a"] if p["a"] else 0.0, "e": p["c"], "f": p["c"], "c": 0.0}
    above = np.maximum(p["a"] * codes + p["b"], 0) ** p["g"] + p["e"]
    return np.asarray(np.where(codes >= p["d"], above, p["c"] * codes + p["f"]))
