"""Picture files of every kind that panopipe takes, told apart by their first bytes, not by their names."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import cv2
import imagecodecs
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from panopipe.capture import Capture
from panopipe.colour.spaces import WORKING_FROM_SRGB
from panopipe.colour.transfer import srgb_decode
from panopipe.files.capture_read import capture_of_picture, capture_of_tiff
from panopipe.files.dng import check_sphere, is_dng, open_dng
from panopipe.files.icc_read import read_profile
from panopipe.files.jpeg_codes import read_jpeg
from panopipe.files.png_chunks import check_png
from panopipe.files.recorded import ProfileColour, Recorded
from panopipe.files.regular import open_regular
from panopipe.files.samples import Array, Samples, WholeSamples, check_size, three_planes, upright
from panopipe.files.stored import Stored, stored
from panopipe.files.tiff import Directory, read_directories
from panopipe.files.tiff_form import Form, sample_form
from panopipe.files.tiff_samples import decode_all, open_samples
from panopipe.pixels.matrix import transform_rows

_TIFF_STARTS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_PNG_START = b"\x89PNG\r\n\x1a\n"
_JPEG_START = b"\xff\xd8\xff"
_GREY, _RGB = 1, 2
Image.MAX_IMAGE_PIXELS = None
"""Sizes are checked by `check_size` before a picture is decoded, by one bar for every kind of file."""
_ORIENTATION, _PROFILE = 274, 34675


def open_picture(path: Path, *, streamed: bool = False) -> Recorded:
    """Open a frame: a linear DNG, a TIFF of 8 or 16 bits or floats, a JPEG or a PNG.

    Parameters
    ----------
    path : Path
        The file; its bytes say what it is.
    streamed : bool
        Decode strips and tiles of a coded DNG when their rows are asked for: for who wants several files open
        at once, or some rows only. Rows are then to be read downwards, see `CodedSegments`.

    Returns
    -------
    Recorded
        Close its samples when done.

    Raises
    ------
    ValueError
        If it is no frame that panopipe takes; the message says what it is and what to do.
    OSError
        If it cannot be read.
    """
    start = _start(path)
    if start.startswith(_TIFF_STARTS):
        directories = read_directories(path)
        if not directories:
            raise ValueError("no picture is in it; the file is damaged or cut short: copy it again")
        if is_dng(directories):
            return open_dng(path, directories, streamed=streamed)
        return _open_tiff(path, directories)
    if start.startswith((_PNG_START, _JPEG_START)):
        return _open_coded(path, start)
    raise ValueError(f"not a DNG, TIFF, JPEG or PNG file ({_beginning(start)}); export the frame again")


def read_patch(path: Path) -> NDArray[np.float32]:
    """Read a picture that shall be laid into frames, such as a round logo for the nadir.

    Parameters
    ----------
    path : Path
        A PNG, JPEG or TIFF file.

    Returns
    -------
    ndarray of shape (height, width, 4), dtype float32
        Linear light in the working space, 1.0 at the picture's white, and straight alpha in 0 to 1.

    Raises
    ------
    ValueError
        If it is no such picture.
    OSError
        If it cannot be read.
    """
    start = _start(path)
    if start.startswith(_TIFF_STARTS):
        array, colour = _tiff_patch(path)
    elif start.startswith((_PNG_START, _JPEG_START)):
        array, colour = _coded_patch(path, start)
    else:
        raise ValueError(f"not a PNG, JPEG or TIFF picture ({_beginning(start)}); save it as one")
    full = 1.0 if array.dtype.kind == "f" else float(np.iinfo(array.dtype).max)
    alpha = array[:, :, 3:].astype(np.float32) / np.float32(full)
    light = linear_light(array[:, :, :3], colour)
    return np.concatenate([transform_rows(light, colour.working_from_linear), alpha.clip(0, 1)], axis=2)


def linear_light(samples: Array, colour: ProfileColour) -> NDArray[np.float32]:
    """Linear light in the profile's primaries of samples (n, width, 3), float32."""
    curves = colour.curves
    if curves is None:
        return samples.astype(np.float32)
    if samples.dtype == np.uint8:
        table = np.ascontiguousarray(np.broadcast_to(curves, (3, 256)).T[:, None, :])
        return np.asarray(cv2.LUT(np.ascontiguousarray(samples), table), dtype=np.float32)
    if len(curves) == 1:
        return np.take(curves[0], samples, mode="clip")
    light: NDArray[np.float32] = np.empty(samples.shape, np.float32)
    for plane in range(3):
        light[:, :, plane] = np.take(curves[plane], samples[:, :, plane], mode="clip")
    return light


def _beginning(start: bytes) -> str:
    """First bytes of a file as far as they are letters; they often name its kind."""
    return f"it begins with {''.join(chr(byte) if 32 < byte < 127 else '.' for byte in start[:12])}"


def _start(path: Path) -> bytes:
    with open_regular(path) as file:
        start = file.read(32)
    if not start:
        raise ValueError("the file is empty (0 bytes); copy it again")
    return start


def _open_tiff(path: Path, directories: list[Directory]) -> Recorded:
    top = directories[0]
    frame = next((d for d in directories if d.whole(254, 0) == 0), top)
    form = _tiff_form(path, frame)
    orientation = frame.whole(_ORIENTATION, 1)
    width, height = (form.width, form.height) if orientation <= 4 else (form.height, form.width)
    check_sphere(width, height)
    colour = _profile_colour(frame.data(_PROFILE), None if form.kind == "f" else form.bits)
    raw = open_samples(path, form)
    kept = stored(path, raw, form) if orientation <= 4 else None
    return _recorded(
        upright(raw, orientation), form.bits, form.kind, colour, capture_of_tiff(top, frame), kept
    )


def _tiff_form(path: Path, frame: Directory) -> Form:
    photometric = frame.whole(262, -1)
    form = sample_form(frame, path.stat().st_size)
    if photometric not in (_GREY, _RGB):
        raise ValueError(
            f"a TIFF with photometric {photometric} and compression {form.compression}; panopipe takes RGB "
            f"(photometric {_RGB}) or grey ({_GREY})"
        )
    if form.bits not in (8, 16, 32):
        raise ValueError(
            f"a TIFF of {form.bits} bits; panopipe takes 8 or 16, or 16 and 32 in floating point"
        )
    return form


def _open_coded(path: Path, start: bytes) -> Recorded:
    with _quiet(path) as picture:
        exif_orientation = picture.getexif().get(_ORIENTATION, 1)
        orientation = exif_orientation if exif_orientation in range(1, 9) else 1
        width, height = picture.size if orientation <= 4 else picture.size[::-1]
        check_size(width, height)
        check_sphere(width, height)
        capture = capture_of_picture(picture)
        profile = picture.info.get("icc_profile")
        array = _decode(picture, path, start, "RGB")
    bits = 8 * array.dtype.itemsize
    raw = WholeSamples(array, "codec")
    # The checksums of PNG tell of damage.
    is_jpeg = start.startswith(_JPEG_START) and orientation <= 4
    kept = Stored(raw, (array.shape[0], array.shape[1]), 255.0, True, path) if is_jpeg else None
    return _recorded(upright(raw, orientation), bits, "u", _profile_colour(profile, bits), capture, kept)


def _recorded(
    samples: Samples, bits: int, kind: str, colour: ProfileColour, capture: Capture, kept: Stored | None
) -> Recorded:
    white = 1.0 if kind == "f" else 2.0**bits - 1
    notes: dict[str, float | str] = {
        "samples": f"{bits}-bit, read by {samples.reader}",
        "profile": colour.name,
    }
    return Recorded(samples, np.zeros(3), np.full(3, white), colour, capture, kind == "f", notes, kept)


def _profile_colour(profile: bytes | None, bits: int | None) -> ProfileColour:
    """Colour by a profile, or sRGB; floats are linear light already."""
    codes = None if bits is None else np.linspace(0, 1, 2**bits)
    if not profile:
        curves = None if codes is None else srgb_decode(codes).astype(np.float32)[None]
        return ProfileColour(curves, WORKING_FROM_SRGB, "none: taken as sRGB" if bits else "none: linear")
    read = read_profile(profile)
    curves = None if codes is None else read.light(codes).astype(np.float32)
    if curves is not None and np.all(curves == curves[0]):
        curves = curves[:1]
    return ProfileColour(curves, read.working_from_linear(), read.name)


@contextmanager
def _quiet(path: Path) -> Iterator[Image.Image]:
    """Open with the picture library, whose warnings and exceptions do not reach further."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            with path.open("rb") as file, Image.open(file) as picture:
                yield picture
        except ValueError:
            raise
        except Exception as error:  # damaged files lead it into all kinds
            reason = " ".join(str(error).split())[:100]
            raise ValueError(f"the picture is damaged or cut short ({reason}); copy it again") from error


def _decode(picture: Image.Image, path: Path, start: bytes, mode: str) -> Array:
    """Samples in 8 bits, or 16 for a PNG of that depth: (height, width, 3), or 4 planes for "RGBA"."""
    if start.startswith(_PNG_START) and start[24:25] == b"\x10":
        return np.asarray(_deep_png(path, mode))
    _check_whole(path, start)
    if picture.mode in ("CMYK", "YCCK", "LAB", "F", "I"):
        raise ValueError(f"a picture in {picture.mode}; panopipe takes RGB or grey: export the frame as one")
    return np.asarray(picture.convert(mode))


def _check_whole(path: Path, start: bytes) -> None:
    """Read all codes, or all checksums: the picture library fills up what it cannot read."""
    try:
        if start.startswith(_JPEG_START):
            read_jpeg(path.read_bytes())
        else:
            check_png(path.read_bytes())
    except ValueError as error:
        raise ValueError(f"the picture is damaged or cut short ({error}); copy it again") from error


def _deep_png(path: Path, mode: str) -> Array:
    array = np.asarray(imagecodecs.png_decode(path.read_bytes()))
    colours = three_planes(array)
    if mode == "RGB":
        return colours
    has_alpha = array.ndim == 3 and array.shape[2] in (2, 4)
    alpha = array[:, :, -1:] if has_alpha else np.full((*array.shape[:2], 1), 65535, array.dtype)
    return np.concatenate([colours, alpha], axis=2)


def _coded_patch(path: Path, start: bytes) -> tuple[Array, ProfileColour]:
    with _quiet(path) as picture:
        check_size(*picture.size)
        profile = picture.info.get("icc_profile")
        array = _decode(picture, path, start, "RGBA")
    return array, _profile_colour(profile, 8 * array.dtype.itemsize)


def _tiff_patch(path: Path) -> tuple[Array, ProfileColour]:
    directories = read_directories(path)
    if not directories:
        raise ValueError("no picture is in it; the file is damaged or cut short: copy it again")
    frame = directories[0]
    form = _tiff_form(path, frame)
    array = decode_all(path, form)
    full: Any = 1 if form.kind == "f" else np.iinfo(array.dtype).max
    alpha = array[:, :, -1:] if form.planes in (2, 4) else np.full((*array.shape[:2], 1), full, array.dtype)
    colour = _profile_colour(frame.data(_PROFILE), None if form.kind == "f" else form.bits)
    return np.concatenate([three_planes(array), alpha], axis=2), colour
