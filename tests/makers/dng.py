"""Writes linear DNGs of every form: what the tests and the sample job's generator photograph with.

It knows nothing of panopipe's reader: tag numbers and layout are those of TIFF 6.0 and of the DNG
specification 1.7.1, and the compressed forms come from the codec library.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal, NamedTuple

import imagecodecs
import numpy as np

Compression = Literal["none", "ljpeg", "jpeg", "deflate", "lzw", "packbits", "jpegxl"]
COMPRESSION_CODES = {
    "none": 1, "lzw": 5, "ljpeg": 7, "deflate": 8, "packbits": 32773, "jpeg": 34892, "jpegxl": 52546,
}  # fmt: skip
BYTE, ASCII, SHORT, LONG, RATIONAL, UNDEFINED, SRATIONAL, FLOAT, DOUBLE = 1, 2, 3, 4, 5, 7, 10, 11, 12
_CODE_OF = {BYTE: "B", SHORT: "H", LONG: "I", FLOAT: "f", DOUBLE: "d"}

CAMERA_A = np.array([[0.90, -0.20, -0.10], [-0.40, 1.20, 0.20], [-0.05, 0.15, 0.70]])
"""XYZ to camera under illuminant A of the invented camera that tests shoot with."""
CAMERA_D65 = np.array([[0.80, -0.25, -0.08], [-0.45, 1.25, 0.22], [-0.05, 0.18, 0.62]])
"""The same under D65."""
ILLUMINANT_A, ILLUMINANT_D50, ILLUMINANT_D65 = 17, 23, 21


class Tag(NamedTuple):
    """One entry of a TIFF directory; `values` are numbers, (numerator, denominator) pairs, or bytes."""

    code: int
    kind: int
    values: Any


@dataclass
class Directory:
    """One TIFF directory: its tags, the picture segments it points to, and directories below it."""

    tags: list[Tag]
    segments: Sequence[bytes] = ()
    segment_codes: tuple[int, int] = (273, 279)
    children: Mapping[int, Sequence[Directory]] = field(default_factory=dict)


@dataclass(frozen=True)
class Shot:
    """EXIF facts of one exposure, as a camera writes them; None leaves a fact out."""

    taken: str | None = "2026:11:24 21:10:00"
    offset: str | None = "+00:00"
    exposure_s: float | None = 1 / 30
    f_number: float | None = 2.8
    iso: int | None = 200
    exposure_bias_ev: float | None = 0.0
    focal_length_mm: float | None = 1.5
    make: str | None = "Fenhollow Optical"
    model: str | None = "FH Sphere 1"
    lens: str | None = "FH dual 1.5 mm"
    artist: str | None = None
    copyright: str | None = None
    gps: Sequence[Tag] = ()


def neutral_of(white_xyz: Any, matrix: np.ndarray = CAMERA_D65) -> np.ndarray:
    """Camera values of a light, largest 1: what a camera set to that light writes as AsShotNeutral."""
    values = matrix @ np.asarray(white_xyz, dtype=np.float64)
    return values / values.max()


def write_linear_dng(
    path: Path,
    samples: np.ndarray,
    *,
    bits: int | None = None,
    compression: Compression = "none",
    predictor: int = 1,
    tile: tuple[int, int] | None = None,
    rows_per_strip: int | None = None,
    big_endian: bool = False,
    black: Sequence[float] | float | None = None,
    white: Sequence[float] | float | None = None,
    black_delta_h: Sequence[float] | None = None,
    black_delta_v: Sequence[float] | None = None,
    linearization: Sequence[int] | None = None,
    baseline_exposure_ev: float | None = None,
    active_area: tuple[int, int, int, int] | None = None,
    crop_origin: tuple[float, float] | None = None,
    crop_size: tuple[float, float] | None = None,
    default_scale: tuple[float, float] | None = None,
    orientation: int = 1,
    color_matrix_1: np.ndarray | None = CAMERA_D65,
    illuminant_1: int | None = ILLUMINANT_D65,
    color_matrix_2: np.ndarray | None = None,
    illuminant_2: int | None = None,
    forward_matrix_1: np.ndarray | None = None,
    forward_matrix_2: np.ndarray | None = None,
    calibration_1: np.ndarray | None = None,
    calibration_2: np.ndarray | None = None,
    analog_balance: Sequence[float] | None = None,
    as_shot_neutral: Sequence[float] | np.ndarray | None = None,
    as_shot_white_xy: tuple[float, float] | None = None,
    shot: Shot | None = None,
    xmp: bytes | None = None,
    thumbnail: bool = False,
    photometric: int = 34892,
    planar: bool = False,
    jpeg_level: int = 95,
    lossy_jpegxl_distance: float | None = None,
    extra: Sequence[Tag] = (),
    replaced: Mapping[int, Tag] | None = None,
) -> Path:
    """Write samples of shape (H, W, 3) (or (H, W) for a mosaic) as a linear DNG.

    Parameters
    ----------
    path : Path
        File to write.
    samples : ndarray
        uint8, uint16, float16 or float32 camera samples, as they shall stand in the file.
    bits : int, optional
        Bits a sample takes; the dtype's own if not given. Below 16 they are packed (uncompressed only).
    compression, predictor, tile, rows_per_strip, big_endian, planar
        Form of the samples; `tile` is (rows, columns), `rows_per_strip` is all rows if not given;
        predictor 2 is horizontal differencing, 3 that of floats (34894, 34895: pixels 2 or 4 apart).
    black, white, black_delta_h, black_delta_v, linearization, baseline_exposure_ev
        Levels; one number or one per plane.
    active_area, crop_origin, crop_size, default_scale, orientation
        Geometry: top, left, bottom, right; then x, y.
    color_matrix_1, illuminant_1, color_matrix_2, illuminant_2, forward_matrix_1, forward_matrix_2
        XYZ to camera and white-balanced camera to XYZ D50, with their EXIF light sources.
    calibration_1, calibration_2, analog_balance, as_shot_neutral, as_shot_white_xy
        The rest of the colour model. With neither white given, the neutral is that of D65.
    shot, xmp, thumbnail
        EXIF facts (a plain `Shot()` if None), an XMP packet, and whether a thumbnail stands in the first
        directory and the frame in a directory below it.
    photometric, extra, replaced
        PhotometricInterpretation, further tags of the frame's directory, and tags to put in the place of
        those of the same number, right or wrong.
    """
    planes = 1 if samples.ndim == 2 else samples.shape[2]
    bits = bits or samples.dtype.itemsize * 8
    form = _Form(compression, predictor, tile, rows_per_strip, big_endian, planar, bits, jpeg_level,
                 lossy_jpegxl_distance)  # fmt: skip
    frame = Directory(_sample_tags(samples, form, planes, photometric, thumbnail))
    frame.tags += _level_tags(black, white, black_delta_h, black_delta_v, linearization)
    frame.tags += _geometry_tags(active_area, crop_origin, crop_size, default_scale)
    frame.tags += list(extra)
    frame.tags = [(replaced or {}).get(tag.code, tag) for tag in frame.tags]
    frame.segments = _segments(samples, form)
    frame.segment_codes = (324, 325) if tile else (273, 279)

    if as_shot_neutral is None and as_shot_white_xy is None and color_matrix_1 is not None:
        as_shot_neutral = neutral_of((0.9504559, 1.0, 1.0890578), color_matrix_1)
    shot = shot or Shot()
    top = [
        Tag(274, SHORT, [orientation]),
        Tag(50706, BYTE, [1, 7, 1, 0]),
        Tag(50707, BYTE, [1, 7, 1, 0] if compression == "jpegxl" else [1, 4, 0, 0]),
        Tag(50708, ASCII, f"{shot.make} {shot.model}"),
    ]
    top += _colour_tags(
        {50721: color_matrix_1, 50722: color_matrix_2, 50964: forward_matrix_1, 50965: forward_matrix_2,
         50723: calibration_1, 50724: calibration_2}
    )  # fmt: skip
    for code, kind, value in (
        (50778, SHORT, illuminant_1 if color_matrix_1 is not None else None),
        (50779, SHORT, illuminant_2),
    ):
        if value is not None:
            top.append(Tag(code, kind, [value]))
    for code, values in (
        (50727, analog_balance), (50728, as_shot_neutral), (50729, as_shot_white_xy),
    ):  # fmt: skip
        if values is not None:
            top.append(Tag(code, RATIONAL, [_fraction(v) for v in values]))
    if baseline_exposure_ev is not None:
        top.append(Tag(50730, SRATIONAL, [_fraction(baseline_exposure_ev)]))
    if xmp is not None:
        top.append(Tag(700, BYTE, xmp))
    children = _shot_directories(shot, top)
    if thumbnail:
        first = _thumbnail_directory()
        first.tags += top
        first.children = {**children, 330: [frame]}
    else:
        frame.tags += top
        frame.children = children
        first = frame
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(tiff_bytes(first, big_endian=big_endian))
    return path


def tiff_bytes(first: Directory, *, big_endian: bool = False) -> bytes:
    """Lay a directory and all that hangs below it out as a TIFF file."""
    order = ">" if big_endian else "<"
    out = bytearray(b"MM\0*" if big_endian else b"II*\0") + bytearray(4)
    struct.pack_into(order + "I", out, 4, _put_directory(out, first, order))
    return bytes(out)


def _put_directory(out: bytearray, directory: Directory, order: str) -> int:
    tags = list(directory.tags)
    if directory.segments:
        offsets = [_append(out, segment) for segment in directory.segments]
        tags.append(Tag(directory.segment_codes[0], LONG, offsets))
        tags.append(Tag(directory.segment_codes[1], LONG, [len(s) for s in directory.segments]))
    for code, below in directory.children.items():
        tags.append(Tag(code, LONG, [_put_directory(out, child, order) for child in below]))
    entries = []
    for tag in sorted(tags, key=lambda tag: tag.code):
        count, data = _packed(tag, order)
        inline = data.ljust(4, b"\0") if len(data) <= 4 else struct.pack(order + "I", _append(out, data))
        entries.append(struct.pack(order + "HHI", tag.code, tag.kind, count) + inline)
    table = struct.pack(order + "H", len(entries)) + b"".join(entries) + bytes(4)
    return _append(out, table)


def _append(out: bytearray, data: bytes) -> int:
    out.extend(bytes(-len(out) % 8))
    out.extend(data)
    return len(out) - len(data)


def _packed(tag: Tag, order: str) -> tuple[int, bytes]:
    if tag.kind == ASCII:
        text = tag.values.encode() + b"\0" if isinstance(tag.values, str) else tag.values
        return len(text), text
    if isinstance(tag.values, bytes):
        return len(tag.values), tag.values
    values = list(tag.values)
    if tag.kind in (RATIONAL, SRATIONAL):
        code = "II" if tag.kind == RATIONAL else "ii"
        return len(values), b"".join(struct.pack(order + code, *pair) for pair in values)
    return len(values), struct.pack(f"{order}{len(values)}{_CODE_OF[tag.kind]}", *values)


def _fraction(value: float) -> tuple[int, int]:
    exact = Fraction(float(value)).limit_denominator(1_000_000)
    return exact.numerator, exact.denominator


@dataclass(frozen=True)
class _Form:
    compression: Compression
    predictor: int
    tile: tuple[int, int] | None
    rows_per_strip: int | None
    big_endian: bool
    planar: bool
    bits: int
    jpeg_level: int
    lossy_jpegxl_distance: float | None


def _sample_tags(samples: np.ndarray, form: _Form, planes: int, photometric: int, below: bool) -> list[Tag]:
    height, width = samples.shape[:2]
    kind = 3 if samples.dtype.kind == "f" else 1
    tags = [
        Tag(254, LONG, [0]),
        Tag(256, LONG, [width]),
        Tag(257, LONG, [height]),
        Tag(258, SHORT, [form.bits] * planes),
        Tag(259, SHORT, [COMPRESSION_CODES[form.compression]]),
        Tag(262, SHORT, [photometric]),
        Tag(277, SHORT, [planes]),
        Tag(284, SHORT, [2 if form.planar else 1]),
        Tag(339, SHORT, [kind] * planes),
    ]
    if form.predictor != 1:
        tags.append(Tag(317, SHORT, [form.predictor]))
    if form.tile:
        tags += [Tag(322, LONG, [form.tile[1]]), Tag(323, LONG, [form.tile[0]])]
    else:
        tags.append(Tag(278, LONG, [form.rows_per_strip or height]))
    return tags


def _level_tags(black: Any, white: Any, delta_h: Any, delta_v: Any, table: Any) -> list[Tag]:
    tags = []
    if black is not None:
        values = np.atleast_1d(np.asarray(black, dtype=np.float64))
        tags.append(Tag(50713, SHORT, [1, 1]))
        tags.append(Tag(50714, RATIONAL, [_fraction(v) for v in values]))
    if white is not None:
        values = np.atleast_1d(np.asarray(white, dtype=np.float64))
        tags.append(Tag(50717, LONG, [int(v) for v in values]))
    if delta_h is not None:
        tags.append(Tag(50715, SRATIONAL, [_fraction(v) for v in delta_h]))
    if delta_v is not None:
        tags.append(Tag(50716, SRATIONAL, [_fraction(v) for v in delta_v]))
    if table is not None:
        tags.append(Tag(50712, SHORT, [int(v) for v in table]))
    return tags


def _geometry_tags(area: Any, origin: Any, size: Any, scale: Any) -> list[Tag]:
    tags = []
    if area is not None:
        tags.append(Tag(50829, LONG, area))
    for code, pair in ((50719, origin), (50720, size), (50718, scale)):
        if pair is not None:
            tags.append(Tag(code, RATIONAL, [_fraction(v) for v in pair]))
    return tags


def _colour_tags(matrices: Mapping[int, np.ndarray | None]) -> list[Tag]:
    return [
        Tag(code, SRATIONAL, [_fraction(v) for v in np.asarray(matrix).ravel()])
        for code, matrix in matrices.items()
        if matrix is not None
    ]


def _shot_directories(shot: Shot, top: list[Tag]) -> dict[int, Sequence[Directory]]:
    for code, text in ((271, shot.make), (272, shot.model), (315, shot.artist), (33432, shot.copyright)):
        if text is not None:
            top.append(Tag(code, ASCII, text))
    exif = [Tag(36864, UNDEFINED, b"0232")]
    for code, text in ((36867, shot.taken), (36881, shot.offset), (42036, shot.lens)):
        if text is not None:
            exif.append(Tag(code, ASCII, text))
    for code, kind, value in (
        (33434, RATIONAL, shot.exposure_s),
        (33437, RATIONAL, shot.f_number),
        (37380, SRATIONAL, shot.exposure_bias_ev),
        (37386, RATIONAL, shot.focal_length_mm),
    ):
        if value is not None:
            exif.append(Tag(code, kind, [_fraction(value)]))
    if shot.iso is not None:
        exif.append(Tag(34855, SHORT, [shot.iso]))
    children: dict[int, Sequence[Directory]] = {34665: [Directory(exif)]}
    if shot.gps:
        children[34853] = [Directory(list(shot.gps))]
    return children


def _thumbnail_directory() -> Directory:
    tags = [
        Tag(254, LONG, [1]), Tag(256, LONG, [16]), Tag(257, LONG, [8]), Tag(258, SHORT, [8, 8, 8]),
        Tag(259, SHORT, [1]), Tag(262, SHORT, [2]), Tag(277, SHORT, [3]), Tag(278, LONG, [8]),
        Tag(284, SHORT, [1]),
    ]  # fmt: skip
    return Directory(tags, segments=[bytes([90]) * (16 * 8 * 3)])


def _segments(samples: np.ndarray, form: _Form) -> list[bytes]:
    stack = samples if samples.ndim == 3 else samples[:, :, None]
    planes = [stack[:, :, i : i + 1] for i in range(stack.shape[2])] if form.planar else [stack]
    return [_encoded(piece, form) for plane in planes for piece in _pieces(plane, form)]


def _pieces(plane: np.ndarray, form: _Form) -> list[np.ndarray]:
    height, width = plane.shape[:2]
    if not form.tile:
        step = form.rows_per_strip or height
        return [plane[top : top + step] for top in range(0, height, step)]
    rows, columns = form.tile
    padded = np.pad(plane, ((0, -height % rows), (0, -width % columns), (0, 0)), mode="edge")
    return [
        padded[top : top + rows, left : left + columns]
        for top in range(0, padded.shape[0], rows)
        for left in range(0, padded.shape[1], columns)
    ]


def _encoded(piece: np.ndarray, form: _Form) -> bytes:
    piece = np.ascontiguousarray(piece)
    if form.compression in _PICTURE_CODERS:
        return _PICTURE_CODERS[form.compression](piece, form)
    data = _differenced(piece, form)
    match form.compression:
        case "deflate":
            return imagecodecs.zlib_encode(data)
        case "lzw":
            return imagecodecs.lzw_encode(data)
        case "packbits":
            return imagecodecs.packbits_encode(data, axis=None)
    return data


def _lossless_jpeg(piece: np.ndarray, form: _Form) -> bytes:
    """One component a plane and no colour transform, as the specification has it."""
    return imagecodecs.jpeg8_encode(
        piece, lossless=True, predictor=1, bitspersample=form.bits, colorspace="UNKNOWN",
        outcolorspace="UNKNOWN",
    )  # fmt: skip


def _lossy_jpeg(piece: np.ndarray, form: _Form) -> bytes:
    """Baseline, coded as YCbCr at full resolution."""
    return imagecodecs.jpeg8_encode(piece, level=form.jpeg_level, subsampling="444")


def _jpegxl(piece: np.ndarray, form: _Form) -> bytes:
    lossy = form.lossy_jpegxl_distance
    options = {"lossless": True} if lossy is None else {"distance": lossy}
    if form.bits not in (8, 16, 32):
        options["bitspersample"] = form.bits
    return imagecodecs.jpegxl_encode(piece.squeeze(), usecontainer=False, **options)


_PICTURE_CODERS = {"ljpeg": _lossless_jpeg, "jpeg": _lossy_jpeg, "jpegxl": _jpegxl}


def _differenced(piece: np.ndarray, form: _Form) -> bytes:
    order = ">" if form.big_endian else "<"
    if form.predictor in (3, 34894, 34895):
        step = {3: 1, 34894: 2, 34895: 4}[form.predictor] * piece.shape[2]
        flat = piece.reshape(piece.shape[0], -1)
        return b"".join(_float_predicted(row, step) for row in flat)
    if form.predictor == 2:
        first = np.zeros_like(piece[:, :1])
        piece = np.diff(piece, axis=1, prepend=first)
    if form.bits not in (8, 16, 32):
        return _bit_packed(piece.reshape(piece.shape[0], -1), form.bits)
    return piece.astype(piece.dtype.newbyteorder(order)).tobytes()


def _float_predicted(row: np.ndarray, step: int) -> bytes:
    """Code one row as the floating point predictor does: bytes by significance, then differences."""
    size = row.dtype.itemsize
    by_significance = row.astype(row.dtype.newbyteorder(">")).view(np.uint8).reshape(-1, size).T.ravel()
    shifted = np.concatenate([np.zeros(step, np.uint8), by_significance[:-step]])
    return (by_significance - shifted).tobytes()


def _bit_packed(flat: np.ndarray, bits: int) -> bytes:
    """Pack samples of `bits` bits, most significant first, each row padded to whole bytes."""
    shifts = np.arange(bits - 1, -1, -1, dtype=np.uint16)
    ones = ((flat.astype(np.uint16)[:, :, None] >> shifts) & 1).astype(np.uint8)
    return np.packbits(ones.reshape(flat.shape[0], -1), axis=1).tobytes()


def changed(shot: Shot, **facts: Any) -> Shot:
    """The same shot with some facts changed."""
    return replace(shot, **facts)
