"""Linear light to 8-bit sRGB codes, band by band, at the speed of memory."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.gamut import SHOULDER_START, fit_to_srgb, roll_off
from panopipe.colour.pointwise import transform_rows
from panopipe.colour.spaces import SRGB_FROM_WORKING
from panopipe.colour.transfer import srgb_encode

_FULL = 65535
"""Linear light as the index of the curve: steps of a twentieth of a code where the curve is steepest."""
STEPS = 128
"""Units of the curve's values and of the grain in one 8-bit code."""
_SHIFT = 7
"""STEPS as a shift of bits."""
_STRETCH = 384
"""Samples looked at together when pixels outside are sought."""
_BLOCK_PIXELS = 48 * 1024
"""Pixels worked on at a time, so that all the buffers stay in the processor's second cache."""

_TO_INDEX = np.column_stack([SRGB_FROM_WORKING * _FULL, np.full(3, 0.5)])
"""Working space to the curve's index, with the half that makes cutting off a rounding."""


@cache
def _curve() -> NDArray[np.int16]:
    """Coded value of each index in units of 1/STEPS of a code, plus half a code for the rounding."""
    coded = srgb_encode(np.arange(_FULL + 1) / _FULL) * 255
    curve = np.round(coded * STEPS).astype(np.int16) + np.int16(STEPS // 2)
    curve[0] = 0  # black and white stay clean: no grain lifts or lowers them
    curve[_FULL] = np.iinfo(np.int16).max
    curve.setflags(write=False)
    return curve


class SrgbCoder:
    """Turns rows of a frame into 8-bit sRGB.

    Light that sRGB cannot show is brought into it with hue and lightness kept; nothing else is touched.
    Grain of the frame's own coordinates hides the steps between codes. Black (0) and white (1) stay pure.

    Parameters
    ----------
    grain : ndarray of shape (period, width, 3), dtype int16
        Grain in units of 1/STEPS of a code, between -STEPS and STEPS; row r of the frame takes row
        r modulo period.
    peak : float
        Highest luminance of the frame; above 1, light is rolled off (see `gamut.roll_off`).
    ceiling : float
        Highest channel that a colour may have (see `gamut.fit_to_srgb`).
    """

    def __init__(self, grain: NDArray[np.int16], *, peak: float = 1.0, ceiling: float = 1.0) -> None:
        self._grain = grain
        self._peak, self._ceiling = peak, ceiling
        touched = SHOULDER_START if peak > 1 else ceiling
        self._limit = np.float32(_FULL * touched + 1)
        width = grain.shape[1]
        self._rows = max(1, _BLOCK_PIXELS // width)
        size = (self._rows, width, 3)
        self._light = np.empty(size, np.float32)
        self._index, self._value = np.empty(size, np.uint16), np.empty(size, np.int16)
        self._black = np.zeros(size, np.int16)
        self._flags = np.zeros(-(-self._light.size // _STRETCH) * _STRETCH, np.bool_)

    def codes(self, rows: NDArray[np.float32], first: int) -> NDArray[np.uint8]:
        """Code rows of a frame.

        Parameters
        ----------
        rows : ndarray of shape (n, width, 3), dtype float32
            Linear light in the working space.
        first : int
            Row of the frame that `rows[0]` is.

        Returns
        -------
        ndarray of shape (n, width, 3), dtype uint8
            sRGB red, green, blue. The same bits however the frame is cut.
        """
        codes = np.empty(rows.shape, np.uint8)
        places, colours = [], []
        for start in range(0, len(rows), self._rows):
            part = slice(start, start + self._rows)
            light = transform_rows(rows[part], _TO_INDEX, out=self._light[: len(codes[part])])
            outside = self._outside(light)
            if len(outside):
                pixels = light.reshape(-1, 3)
                places.append(outside + start * rows.shape[1])
                colours.append(pixels[outside])
                pixels[outside] = 0
            self._code(light, first + start, codes[part])
        if places:
            self._code_outside(np.concatenate(places), np.concatenate(colours), first, codes)
        return codes

    def _outside(self, light: NDArray[np.float32]) -> NDArray[np.intp]:
        """Which pixels of a block need to be brought in, ascending."""
        # Read as whole numbers, negative floats are larger than all positive ones: one comparison does.
        flags = self._flags[: -(-light.size // _STRETCH) * _STRETCH]
        flags[light.size :] = False
        np.greater_equal(
            light.reshape(-1).view(np.uint32), self._limit.view(np.uint32), out=flags[: light.size]
        )
        if not flags.any():
            return np.empty(0, np.intp)
        stretches = flags.reshape(-1, _STRETCH)
        hit = np.flatnonzero(stretches.any(axis=1))
        stretch, sample = np.divmod(np.flatnonzero(stretches[hit]), _STRETCH)
        pixels = (hit[stretch] * _STRETCH + sample) // 3
        return pixels[np.concatenate([[True], pixels[1:] != pixels[:-1]])]

    def _code(self, light: NDArray[np.float32], first: int, codes: NDArray[np.uint8]) -> None:
        """Code a block of light given as curve indices."""
        count = len(light)
        index, value = self._index[:count], self._value[:count]
        np.copyto(index, light, casting="unsafe")
        flat = value.reshape(count, -1)
        cv2.LUT(index.reshape(count, -1), _curve(), dst=flat)
        self._add_grain(value, first)
        np.right_shift(value, _SHIFT, out=value)
        np.maximum(value, self._black[:count], out=value)
        np.copyto(codes, value, casting="unsafe")

    def _add_grain(self, value: NDArray[np.int16], first: int) -> None:
        """Add the grain of rows from `first` on; sums stop at the ends of int16, so white stays white."""
        done, period = 0, len(self._grain)
        while done < len(value):
            start = (first + done) % period
            grain = self._grain[start : start + len(value) - done]
            part = value[done : done + len(grain)].reshape(len(grain), -1)
            cv2.add(part, grain.reshape(len(grain), -1), dst=part)
            done += len(grain)

    def _code_outside(
        self, places: NDArray[np.intp], light: NDArray[np.float32], first: int, codes: NDArray[np.uint8]
    ) -> None:
        """Bring the pixels at `places` of a band inside and code them in their turn."""
        planes = (np.ascontiguousarray(light.T) - np.float32(0.5)) / np.float32(_FULL)
        if self._peak > 1:
            planes = roll_off(planes, self._peak)
        index = (fit_to_srgb(planes, ceiling=self._ceiling) * np.float32(_FULL) + np.float32(0.5)).astype(
            np.uint16
        )
        row, column = np.divmod(places, codes.shape[1])
        grain = self._grain[(first + row) % len(self._grain), column, 0]
        value = _curve()[index].astype(np.int32) + grain
        codes.reshape(-1, 3)[places] = np.clip(value >> _SHIFT, 0, 255).T
