"""Samples of a DNG: the codec library decodes each form bit for bit, then the file's own table applies.

Where the codec library was built without JPEG, the raw library unpacks lossless JPEG in its place, at twice
the cost. It reads nothing else: it was seen to decode several strips wrongly without an error, refuses
JPEG XL and LZW, ignores the file's table on lossy JPEG, rescales floats above 1.0, and decodes plain
deflated floats to black (measured with LibRaw 0.22). The tests hold both against each other.
"""

from __future__ import annotations

import io
from pathlib import Path

import cv2
import imagecodecs
import numpy as np

from panopipe.files.coded import CodedSegments, can_stream
from panopipe.files.samples import Array, Samples, TabledSamples, WholeSamples
from panopipe.files.tiff_form import Form
from panopipe.files.tiff_samples import open_samples

_LOSSLESS_JPEG = 7


def open_dng_samples(path: Path, form: Form, table: Array | None, *, streamed: bool = False) -> Samples:
    """Open the samples of a linear DNG, sent through its LinearizationTable if it has one.

    `streamed` as for `panopipe.files.picture.open_picture`.

    Raises
    ------
    ValueError
        If the samples are damaged.
    OSError
        If the file cannot be read.
    """
    if table is not None and form.kind == "f":
        raise ValueError("a LinearizationTable for floating point samples; the file is damaged")
    if form.compression == _LOSSLESS_JPEG and not imagecodecs.JPEG8.available and _raw_library_reads(form):
        return _by_raw_library(path, form)
    samples = CodedSegments(path, form) if streamed and can_stream(form) else open_samples(path, form)
    return samples if table is None else TabledSamples(samples, table)


def untabled(samples: Samples) -> Samples:
    """Return the samples as `open_dng_samples` found them, before a table."""
    return samples.inner if isinstance(samples, TabledSamples) else samples


def _raw_library_reads(form: Form) -> bool:
    return not form.planar and form.planes == 3 and (form.tiled or len(form.offsets) == 1)


def _by_raw_library(path: Path, form: Form) -> Samples:
    """Samples as the raw library unpacks them: after the table, before black, nothing else done."""
    import rawpy  # noqa: PLC0415 - loaded where it is needed, which is hardly ever

    try:
        with path.open("rb") as file:
            _check_markers(file, form)
            file.seek(0)
            with rawpy.imread(file) as raw:
                image = np.asarray(raw.raw_image)
                if image.shape != (form.height, form.width, 4) or image.dtype != np.uint16:
                    raise ValueError(f"the raw library sees {image.dtype} of {image.shape}")
                return WholeSamples(cv2.cvtColor(image, cv2.COLOR_RGBA2RGB), "rawpy")
    except rawpy.LibRawError as error:
        raise ValueError(f"its lossless JPEG is damaged ({error}); export the frame again") from error


def _check_markers(file: io.BufferedReader, form: Form) -> None:
    """Refuse what is no whole JPEG (ITU-T T.81, B.1.1.3): the raw library makes black of it, and no error."""
    for index, (offset, count) in enumerate(zip(form.offsets, form.counts, strict=True)):
        file.seek(offset)
        data = file.read(count)
        if data[:2] != b"\xff\xd8" or b"\xff\xd9" not in data[-4:]:
            raise ValueError(f"strip or tile {index} (lossless JPEG) is damaged; export the frame again")
