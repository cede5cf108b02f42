"""Samples of a DNG: the codec library decodes each form bit for bit, then the file's own table applies.

The raw library is the second opinion in the tests, not a reader: it decodes lossless JPEG at half the speed
and several strips of it wrongly without an error, refuses JPEG XL and LZW, ignores the file's table on lossy
JPEG, rescales floats above 1.0, and decodes plain deflated floats to black (measured with LibRaw 0.22).
"""

from __future__ import annotations

from pathlib import Path

from panopipe.files.samples import Array, Samples, TabledSamples
from panopipe.files.tiff_form import Form
from panopipe.files.tiff_samples import open_samples


def open_dng_samples(path: Path, form: Form, table: Array | None) -> Samples:
    """Open the samples of a linear DNG, sent through its LinearizationTable if it has one.

    Raises
    ------
    ValueError
        If the samples are damaged.
    OSError
        If the file cannot be read.
    """
    if table is not None and form.kind == "f":
        raise ValueError("a LinearizationTable for floating point samples; the file is damaged")
    samples = open_samples(path, form)
    return samples if table is None else TabledSamples(samples, table)
