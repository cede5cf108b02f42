"""Linear DNGs: which directory holds the frame, and what its samples mean.

DNG Specification 1.7.1.0 (2023), chapters "Mapping Raw Values to Linear Reference Values" and "Mapping
Camera Color Space to CIE XYZ Space". The samples go through unclipped: what stands above the white level
is kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from panopipe.colour.dng import LIGHT_SOURCE_KELVIN, Calibration, Camera
from panopipe.colour.spaces import D65_XY, Matrix
from panopipe.files.capture_read import capture_of_tiff
from panopipe.files.digest import digest_of
from panopipe.files.dng_samples import open_dng_samples, untabled
from panopipe.files.recorded import CameraColour, Floats, Recorded
from panopipe.files.samples import CroppedSamples, OffsetSamples, Samples, per_plane, upright
from panopipe.files.stored import stored
from panopipe.files.tiff import Directory, shown
from panopipe.files.tiff_form import Form, sample_form

LINEAR_RAW, MOSAIC = 34892, 32803
NARROWEST = 16
"""Pixels across the smallest frame that is taken: from pole to pole the widest filter reaches over 8 rows."""
_OPCODE_LISTS = {51008: "OpcodeList1", 51009: "OpcodeList2", 51022: "OpcodeList3"}


def is_dng(directories: Sequence[Directory]) -> bool:
    """Whether the directories are those of a DNG: the first one has DNGVersion, or one is linear raw."""
    photometric = {directory.whole(262, -1) for directory in directories}
    return 50706 in directories[0].values or bool(photometric & {LINEAR_RAW, MOSAIC})


def open_dng(path: Path, directories: Sequence[Directory], *, streamed: bool = False) -> Recorded:
    """Open a linear DNG.

    Parameters
    ----------
    path : Path
        The file.
    directories : sequence of Directory
        What `read_directories` found in it.
    streamed : bool
        See `panopipe.files.picture.open_picture`.

    Raises
    ------
    ValueError
        If the file holds no linear raw picture that panopipe can read; the message says what it holds.
    OSError
        If the file cannot be read.
    """
    top, frame = directories[0], _frame(directories)
    form = sample_form(frame, path.stat().st_size)
    _check_geometry(frame, top, form)
    if form.planes != 3:
        raise ValueError(f"linear raw with {form.planes} planes; panopipe takes three")
    colour = _colour(top, frame)
    black, white = _levels(frame, form)
    raw = open_dng_samples(path, form, _table(frame), streamed=streamed)
    try:
        samples = _geometry(_offset(raw, frame), frame, top)
    except BaseException:
        raw.close()
        raise
    notes: dict[str, float | str] = {
        "samples": f"{form.bits}-bit, compression {form.compression}, read by {samples.reader}",
        "baseline_exposure_ev": colour.baseline_exposure_ev,
    }
    ignored = [name for code, name in _OPCODE_LISTS.items() if code in frame.values]
    if ignored:
        notes["corrections_left_out"] = ", ".join(ignored)
    capture = capture_of_tiff(top, frame)
    is_on_its_side = _orientation(frame, top) > 4  # the samples are held in another way by now
    kept = None if is_on_its_side else stored(path, untabled(raw), form, digest_of(frame, top))
    profile = _noise_profile(top, frame)
    return Recorded(samples, black, white, colour, capture, form.kind == "f", notes, kept, profile)


def _frame(directories: Sequence[Directory]) -> Directory:
    """Directory of the largest full-size linear raw picture."""
    linear = [d for d in directories if d.whole(262, -1) == LINEAR_RAW and d.whole(254, 0) in (0, 16)]
    if linear:
        return max(linear, key=lambda d: d.whole(256, 0) * d.whole(257, 0))
    if any(d.whole(262, -1) == MOSAIC for d in directories):
        raise ValueError(
            f"a mosaic raw (photometric {MOSAIC}, colour filter array); panopipe takes stitched, demosaiced "
            f"linear DNGs (photometric {LINEAR_RAW})"
        )
    listed = ", ".join(
        f"photometric {d.whole(262, -1)} with compression {d.whole(259, 1)}" for d in directories[:4]
    )
    raise ValueError(f"no linear raw picture (photometric {LINEAR_RAW}) in this DNG; it holds {listed}")


def _levels(frame: Directory, form: Form) -> tuple[Floats, Floats]:
    repeat = frame.numbers(50713) or (1, 1)
    blacks = frame.numbers(50714)
    if tuple(repeat) != (1, 1) and len(set(blacks)) > 1:
        # A pattern makes sense for a mosaic; stitched samples have no such grid left.
        raise ValueError(f"a black level that repeats {repeat[0]:g}x{repeat[1]:g} in a linear picture")
    black = per_plane(blacks[:1] if tuple(repeat) != (1, 1) else blacks, "BlackLevel", 0)
    white = per_plane(frame.numbers(50717), "WhiteLevel", 1.0 if form.kind == "f" else 2**form.bits - 1)
    if np.any(white <= black):
        raise ValueError(
            f"WhiteLevel {shown(white)} is not above BlackLevel {shown(black)}; the file is damaged"
        )
    return black, white


def _table(frame: Directory) -> np.ndarray[tuple[int, ...], np.dtype[np.uint16]] | None:
    values = frame.numbers(50712)
    return np.array(values, np.int64).clip(0, 65535).astype(np.uint16) if values else None


def _offset(samples: Samples, frame: Directory) -> Samples:
    """Take BlackLevelDeltaH (a value per column) and BlackLevelDeltaV (per row) off, where there are any.

    They count from the corner of the active area.
    """
    by_column, by_row = frame.numbers(50715), frame.numbers(50716)
    if not by_column and not by_row:
        return samples
    top, left, bottom, right = _active_area(frame, samples.height, samples.width)
    rows, columns = np.zeros(samples.height), np.zeros(samples.width)
    for into, values, wanted, name in (
        (rows[top:bottom], by_row, bottom - top, "V"),
        (columns[left:right], by_column, right - left, "H"),
    ):
        if values and (len(values) != wanted or not np.all(np.isfinite(values))):
            raise ValueError(f"BlackLevelDelta{name} holds {len(values)} values for {wanted} rows or columns")
        into[:] = values or 0
    return OffsetSamples(samples, rows, columns)


def _active_area(frame: Directory, height: int, width: int) -> tuple[int, int, int, int]:
    area = frame.numbers(50829) or (0, 0, height, width)
    if len(area) != 4 or not 0 <= area[0] < area[2] <= height or not 0 <= area[1] < area[3] <= width:
        raise ValueError(f"ActiveArea {shown(area)} does not lie inside {width}x{height}")
    top, left, bottom, right = (int(edge) for edge in area)
    return top, left, bottom, right


def _crop(frame: Directory, height: int, width: int) -> tuple[int, int, int, int]:
    """Top, left, height and width of the picture: the default crop inside the active area."""
    top, left, bottom, right = _active_area(frame, height, width)
    origin = frame.numbers(50719) or (0, 0)
    rest = (right - left - origin[0], bottom - top - origin[1]) if len(origin) == 2 else (0, 0)
    size = frame.numbers(50720) or rest
    if len(origin) != 2 or len(size) != 2 or not np.all(np.isfinite((*origin, *size))):
        raise ValueError(
            f"DefaultCropOrigin {shown(origin)} and DefaultCropSize {shown(size)} are not two numbers each"
        )
    x, y, columns, rows = (round(value) for value in (*origin, *size))
    if x < 0 or y < 0 or rows < 1 or columns < 1 or left + x + columns > right or top + y + rows > bottom:
        raise ValueError(f"the crop of {columns}x{rows} at {x}, {y} does not lie inside the active area")
    return top + y, left + x, rows, columns


def _check_geometry(frame: Directory, top: Directory, form: Form) -> None:
    """Refuse what is no sphere before any sample is read."""
    scale = frame.numbers(50718) or (1.0, 1.0)
    if len(scale) != 2 or not scale[0] == scale[1] > 0:
        raise ValueError(f"DefaultScale {shown(scale)}: the pixels are not square, so this is no 2:1 sphere")
    _, _, height, width = _crop(frame, form.height, form.width)
    if _orientation(frame, top) > 4:
        height, width = width, height
    check_sphere(width, height)


def check_sphere(width: int, height: int) -> None:
    """Refuse a picture that is no full sphere, or too small for one.

    Raises
    ------
    ValueError
        If it is not 2:1, or narrower than `NARROWEST`.
    """
    if width != 2 * height:
        raise ValueError(f"{width}x{height} is not 2:1; panopipe takes stitched equirectangular frames")
    if width < NARROWEST:
        raise ValueError(
            f"{width}x{height} is too small for a sphere; panopipe takes frames from {NARROWEST} px wide: "
            "export the frame larger"
        )


def _orientation(frame: Directory, top: Directory) -> int:
    orientation = top.whole(274, frame.whole(274, 1))
    return orientation if 1 <= orientation <= 8 else 1


def _geometry(samples: Samples, frame: Directory, top: Directory) -> Samples:
    crop = _crop(frame, samples.height, samples.width)
    if crop != (0, 0, samples.height, samples.width):
        samples = CroppedSamples(samples, *crop)
    return upright(samples, _orientation(frame, top))


def _colour(top: Directory, frame: Directory) -> CameraColour:
    camera = Camera(_calibrations(top), per_plane(top.numbers(50727), "AnalogBalance", 1.0))
    exposure = top.number(50730, frame.number(50730, 0.0))
    if not abs(exposure) < 20:
        raise ValueError(f"BaselineExposure of {exposure} EV; the file is damaged")
    return CameraColour(camera, _as_shot_xy(top, camera), float(exposure))


def _noise_profile(top: Directory, frame: Directory) -> Floats | None:
    """S and O of NoiseProfile for each plane; None if there is none, or none that can be."""
    values = frame.numbers(51041) or top.numbers(51041)
    if len(values) not in (2, 6) or not np.all(np.isfinite(values)):
        return None
    profile = np.resize(np.array(values, np.float64), (3, 2))
    is_possible = np.all((profile >= 0) & (profile < 1)) and np.all(profile.sum(axis=1) > 0)
    return profile if is_possible else None


def _as_shot_xy(top: Directory, camera: Camera) -> Floats:
    neutral, white = top.numbers(50728), top.numbers(50729)
    if neutral:
        return camera.white_xy(neutral)
    if not white:
        return np.array(D65_XY)
    if len(white) != 2 or not (white[0] > 0.01 and white[1] > 0.01 and sum(white) < 0.99):
        raise ValueError(f"AsShotWhiteXY {shown(white)} is no chromaticity")
    return np.array(white)


def _calibrations(top: Directory) -> tuple[Calibration, ...]:
    if not top.numbers(50721):
        raise ValueError("no ColorMatrix1 in this DNG, so its colours are unknown; export it with a profile")
    codes = [(50778, 50721, 50723, 50964)]
    if top.numbers(50722):
        codes.append((50779, 50722, 50724, 50965))
    return tuple(_calibration(top, *code) for code in codes)


def _calibration(top: Directory, light: int, colour: int, individual: int, forward: int) -> Calibration:
    source = top.whole(light, 21)
    return Calibration(
        LIGHT_SOURCE_KELVIN.get(source, 6500.0),
        _matrix(top.numbers(colour), colour),
        _matrix(top.numbers(individual), individual) if top.numbers(individual) else np.eye(3),
        _matrix(top.numbers(forward), forward) if top.numbers(forward) else None,
    )


def _matrix(values: Sequence[float], code: int) -> Matrix:
    if len(values) != 9 or not np.all(np.isfinite(values)):
        raise ValueError(f"tag {code} is not a 3x3 matrix of numbers; the file is damaged")
    return np.array(values, dtype=np.float64).reshape(3, 3)
