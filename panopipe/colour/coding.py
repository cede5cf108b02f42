"""Linear light to 8-bit sRGB codes, band by band, at the speed of memory."""

from __future__ import annotations

from collections.abc import Iterator
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

_HELD_PIXELS = 1 << 19
"""Pixels held back, so that those outside sRGB, few in a band, are treated many at a time."""

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
    """Turns a frame's rows, from the top, into 8-bit sRGB.

    Light that sRGB cannot show is brought into it with hue and lightness kept; nothing else is touched.
    Grain of the frame's own coordinates hides the steps between codes. Black (0) and white (1) stay pure.
    The same codes come out however the frame is cut into bands.

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
        size = (max(1, _BLOCK_PIXELS // width), width, 3)
        self._light = np.empty(size, np.float32)
        self._index, self._value = np.empty(size, np.uint16), np.empty(size, np.int16)
        self._black = np.zeros(size, np.int16)
        self._flags = np.zeros(-(-self._light.size // _STRETCH) * _STRETCH, np.bool_)
        self._codes = np.empty((max(1, _HELD_PIXELS // width // 16) * 16, width, 3), np.uint8)
        self._first = self._held = 0
        self._places: list[NDArray[np.intp]] = []
        self._colours: list[NDArray[np.float32]] = []

    def take(self, rows: NDArray[np.float32]) -> Iterator[NDArray[np.uint8]]:
        """Take the next rows; yield what is ready.

        Parameters
        ----------
        rows : ndarray of shape (n, width, 3), dtype float32
            Linear light in the working space.

        Yields
        ------
        ndarray of shape (m, width, 3), dtype uint8
            sRGB red, green, blue of the rows that follow those yielded before; m is a multiple of 16.
            Valid until the next one is asked for.
        """
        while len(rows):
            count = min(len(rows), len(self._light), len(self._codes) - self._held)
            self._code(rows[:count])
            rows = rows[count:]
            if self._held == len(self._codes):
                yield self.rest()

    def rest(self) -> NDArray[np.uint8]:
        """What was taken and not yet yielded, in the same form; valid until more rows are taken."""
        codes = self._codes[: self._held]
        if self._places:
            self._code_outside(codes, np.concatenate(self._places), np.concatenate(self._colours))
        self._places, self._colours = [], []
        self._first, self._held = self._first + self._held, 0
        return codes

    def _code(self, rows: NDArray[np.float32]) -> None:
        """Code a block that fits into the buffers; pixels outside sRGB are put aside."""
        count = len(rows)
        light = transform_rows(rows, _TO_INDEX, out=self._light[:count])
        self._put_aside(light)
        index, value = self._index[:count], self._value[:count]
        np.copyto(index, light, casting="unsafe")
        cv2.LUT(index.reshape(count, -1), _curve(), dst=value.reshape(count, -1))
        self._add_grain(value)
        np.right_shift(value, _SHIFT, out=value)
        np.maximum(value, self._black[:count], out=value)
        np.copyto(self._codes[self._held : self._held + count], value, casting="unsafe")
        self._held += count

    def _put_aside(self, light: NDArray[np.float32]) -> None:
        """Note the pixels that need to be brought inside, and blacken them for now."""
        outside = self._outside(light)
        if len(outside):
            pixels = light.reshape(-1, 3)
            self._places.append(outside + self._held * light.shape[1])
            self._colours.append(pixels[outside])
            pixels[outside] = 0

    def _outside(self, light: NDArray[np.float32]) -> NDArray[np.intp]:
        """Which pixels of a block are not to be coded as they are, ascending."""
        # Read as whole numbers, negative floats are larger than all positive ones: one comparison does.
        flags = self._flags[: -(-light.size // _STRETCH) * _STRETCH]
        flags[light.size :] = False
        whole_numbers = light.reshape(-1).view(np.uint32)
        np.greater_equal(whole_numbers, self._limit.view(np.uint32), out=flags[: light.size])
        if not flags.any():
            return np.empty(0, np.intp)
        stretches = flags.reshape(-1, _STRETCH)
        hit = np.flatnonzero(stretches.any(axis=1))
        stretch, sample = np.divmod(np.flatnonzero(stretches[hit]), _STRETCH)
        pixels: NDArray[np.intp] = (hit[stretch] * _STRETCH + sample) // 3
        once: NDArray[np.intp] = pixels[np.append(True, pixels[1:] != pixels[:-1])]
        return once

    def _add_grain(self, value: NDArray[np.int16]) -> None:
        """Add the grain of the next rows; sums stop at the ends of int16, so white stays white."""
        done, period = 0, len(self._grain)
        while done < len(value):
            start = (self._first + self._held + done) % period
            grain = self._grain[start : start + len(value) - done]
            part = value[done : done + len(grain)].reshape(len(grain), -1)
            cv2.add(part, grain.reshape(len(grain), -1), dst=part)
            done += len(grain)

    def _code_outside(
        self, codes: NDArray[np.uint8], places: NDArray[np.intp], light: NDArray[np.float32]
    ) -> None:
        """Bring the pixels that were put aside inside, and code them in their places."""
        planes = (np.ascontiguousarray(light.T) - np.float32(0.5)) / np.float32(_FULL)
        if self._peak > 1:
            planes = roll_off(planes, self._peak)
        index = fit_to_srgb(planes, ceiling=self._ceiling) * np.float32(_FULL) + np.float32(0.5)
        row, column = np.divmod(places, codes.shape[1])
        grain = self._grain[(self._first + row) % len(self._grain), column, 0]
        value = _curve()[index.astype(np.uint16)].astype(np.int32) + grain
        codes.reshape(-1, 3)[places] = np.clip(value >> _SHIFT, 0, 255).T
