"""A picture file, opened: its samples and what they mean, whatever kind of file it is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

from panopipe.capture import Capture
from panopipe.colour.dng import Camera
from panopipe.files.samples import Samples
from panopipe.files.stored import Stored

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class CameraColour:
    """Colour of camera samples, which the chosen white completes.

    Attributes
    ----------
    camera : Camera
        The camera's calibrations.
    as_shot_xy : ndarray of shape (2,), dtype float64
        Chromaticity of the white that the camera was set to.
    baseline_exposure_ev : float
        EV that the file asks to be added.
    """

    camera: Camera
    as_shot_xy: Floats
    baseline_exposure_ev: float = 0.0


@dataclass(frozen=True, slots=True)
class ProfileColour:
    """Colour of finished pictures: a curve for each plane, then a matrix.

    Attributes
    ----------
    curves : ndarray of shape (3, 2**bits) or (1, 2**bits), dtype float32, or None
        Linear light of each code, plane by plane or for all; None for samples that are linear.
    working_from_linear : ndarray of shape (3, 3), dtype float64
        Linear light of the profile's primaries to the working space.
    name : str
        The profile, for the notes.
    """

    curves: NDArray[np.float32] | None
    working_from_linear: Floats
    name: str


@dataclass(frozen=True, slots=True)
class Recorded:
    """Samples with their meaning.

    Attributes
    ----------
    samples : Samples
        Upright, cropped, after any linearisation table.
    black, white : ndarray of shape (3,), dtype float64
        Sample values of no light and of saturation.
    colour : CameraColour or ProfileColour
        How samples become light.
    capture : Capture
        How the picture was taken.
    is_float : bool
        Whether the file holds floating point samples.
    notes : mapping of str to float or str
        What reading found out.
    stored : Stored or None
        The samples as the file stores them, to look for damage in; None where the coding itself can tell.
    noise_profile : ndarray of shape (3, 2), dtype float64, or None
        What the file tells of its noise: the variance of a sample x of a plane, 1 at saturation, is the
        first times x, plus the second.
    """

    samples: Samples
    black: Floats
    white: Floats
    colour: CameraColour | ProfileColour
    capture: Capture
    is_float: bool = False
    notes: Mapping[str, float | str] = field(default_factory=dict)
    stored: Stored | None = None
    noise_profile: Floats | None = None

    def share_of_white(self, samples: NDArray[Any], dtype: DTypeLike = np.float64) -> NDArray[Any]:
        """Samples (..., 3), black as 0 and white as 1; rounded to `dtype` at the end."""
        if samples.dtype not in (np.uint8, np.uint16):
            return ((samples.astype(np.float64) - self.black) / (self.white - self.black)).astype(dtype)
        planes = list(zip(self.black.tolist(), self.white.tolist(), strict=True))
        tables = [_shares(samples.dtype, *levels, np.dtype(dtype)) for levels in planes]
        if len(set(planes)) == 1:
            return np.take(tables[0], samples)
        return np.stack([np.take(table, samples[..., k]) for k, table in enumerate(tables)], axis=-1)


@lru_cache(maxsize=12)
def _shares(numbers: np.dtype[Any], black: float, white: float, dtype: np.dtype[Any]) -> NDArray[Any]:
    """Share of white of each number of a type: a table costs less than to reckon it pixel by pixel."""
    return ((np.arange(np.iinfo(numbers).max + 1, dtype=np.float64) - black) / (white - black)).astype(dtype)
