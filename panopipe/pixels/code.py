"""Linear light to 8-bit sRGB codes."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import SRGB_FROM_WORKING, XYZ_FROM_SRGB, Matrix
from panopipe.colour.transfer import srgb_encode
from panopipe.pixels.compiled import compiled
from panopipe.pixels.gamut import CEILING, LINE, fit, is_outside, mixed

Floats = NDArray[np.float32]
Codes = NDArray[np.uint8]
Grain = NDArray[np.int16]

LUMINANCE_OF_SRGB: Matrix = XYZ_FROM_SRGB[1]
SHOULDER_START = 0.85
"""Luminance from which a frame with light above white is rolled off."""
STEPS = 128
"""Units of the curve's values and of the grain in one 8-bit code."""
_SHIFT = 7
"""STEPS as a shift of bits."""
_FULL = 65535
"""Linear light as the index of the curve: steps of a twentieth of a code where the curve is steepest."""
GRAIN_WIDTH = 128
"""Columns after which grain begins anew."""

_NEVER = np.finfo(np.float32).max
"""Luminance that nothing has."""

_TO_SRGB = SRGB_FROM_WORKING.astype(np.float32)


class SrgbCoder:
    """Turns light into 8-bit sRGB.

    Light that sRGB cannot show is brought into it with hue and lightness kept; nothing else is touched.
    Grain of the frame's own coordinates hides the steps between codes. Black (0) and white (1) stay pure.
    The same codes come out however the frame is cut into bands.

    Parameters
    ----------
    grain : ndarray of shape (period, GRAIN_WIDTH), dtype int16
        Grain in units of 1/STEPS of a code, between -STEPS and STEPS; repeated over the frame.
    peak : float
        Highest luminance that is to stay distinct from white. Above 1, light is rolled off: up to
        `SHOULDER_START` nothing changes, from there a hyperbola of slope 1 bends over to reach `CEILING` at
        `peak`; chromaticity stays.
    ceiling : float
        Highest channel that a colour may have (see `gamut.fit`).

    References
    ----------
    .. [1] E. Reinhard et al., Photographic tone reproduction for digital images, 2002, equation 4: the
       hyperbola, here scaled to start where the shoulder does.
    """

    def __init__(self, grain: Grain, *, peak: float = 1.0, ceiling: float = 1.0) -> None:
        self._grain, self._ceiling = np.ascontiguousarray(grain), ceiling
        self._shoulder = shoulder_to(peak if peak > 1 else None)

    def code(self, rows: Floats, first: int, *, turn: int, out: Codes) -> None:
        """Code some rows of the frame.

        Parameters
        ----------
        rows : ndarray of shape (n, width, 3), dtype float32
            Linear light in the working space.
        first : int
            Row of the frame that `rows[0]` is.
        turn : int
            Columns by which the codes are turned to the right, 0 to width - 1.
        out : ndarray of shape (n, width, 3), dtype uint8
            Takes sRGB codes: blue, green, red, the order that coders of pictures take.
        """
        rows = np.ascontiguousarray(rows)
        shape = self._shoulder
        _code(rows, _TO_SRGB, shape, LINE, _curve(), self._grain, out, first, turn, self._ceiling)


@cache
def _curve() -> Grain:
    """Coded value of each index in units of 1/STEPS of a code, plus half a code for the rounding."""
    coded = srgb_encode(np.arange(_FULL + 1) / _FULL) * 255
    curve = np.round(coded * STEPS).astype(np.int16) + np.int16(STEPS // 2)
    curve[0] = 0  # black and white stay clean: no grain lifts or lowers them
    curve[_FULL] = np.iinfo(np.int16).max
    curve.setflags(write=False)
    return curve


@compiled("code")
def _code(  # noqa: PLR0913, PLR0917 - what the kernel is handed at once
    rows: Floats,
    to_srgb: Floats,
    shoulder: Floats,
    line: Floats,
    curve: Grain,
    grain: Grain,
    out: Codes,
    first: int,
    turn: int,
    ceiling: float,
) -> None:
    for number, row in enumerate(rows):
        light = rolled_off(mixed(to_srgb, row.T), shoulder).T
        outside = is_outside(light, ceiling)
        fitted = light[outside]
        fit(fitted, line, ceiling)
        light[outside] = fitted
        index = (np.clip(light, 0, 1) * np.float32(_FULL) + np.float32(0.5)).astype(np.int32)
        own = np.resize(grain[(first + number) % len(grain)], len(row))
        codes = np.clip((curve[index].astype(np.int32) + own[:, None]) >> _SHIFT, 0, 255)
        out[number] = np.roll(codes[:, ::-1], turn, axis=0)


def shoulder_to(peak: float | None) -> Floats:
    """Weights of luminance (3), and start, room and bend of a shoulder that reaches `CEILING` at `peak`.

    Without a peak it starts above all light; with a peak of `CEILING` it is straight.
    """
    room = CEILING - SHOULDER_START
    start, bend = (_NEVER, 0) if peak is None else (SHOULDER_START, (room / (peak - SHOULDER_START)) ** 2)
    return np.array([*LUMINANCE_OF_SRGB, start, room, bend], np.float32)


def rolled_off(planes: Floats, shoulder: Floats) -> Floats:
    """Luminance above the shoulder's start brought below white; linear sRGB planes (3, n)."""
    start, room, bend = shoulder[3:]
    (luminance,) = mixed(shoulder[None, :3], planes)
    over = np.maximum(luminance - start, 0) / room
    lowered = start + room * over * (1 + over * bend) / (1 + over)
    gain = np.where(over > 0, lowered / np.maximum(luminance, start), np.float32(1))
    rolled: Floats = planes * gain
    return rolled
