"""Bringing light into what sRGB can show: hue and lightness stay, chroma gives way.

Only colours outside are touched; what sRGB can show is left alone to the last bit. A colour outside moves
straight towards the grey of its own lightness in Oklab until it meets the surface of sRGB, so no channel
is ever cut off by itself, and along any ramp the result goes on without a jump.

On a line of one Oklab lightness and hue each linear channel is a cubic of the share of chroma that is
kept, so the meeting point is the root of a cubic.

References
----------
.. [1] B. Ottosson, sRGB gamut clipping, 2021: clipping along lines in Oklab.
.. [2] W3C CSS Color Module Level 4, 13: keep lightness and hue, reduce chroma.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from panopipe.colour.oklab import CONE_ROOTS_FROM_OKLAB, CONES_FROM_XYZ, OKLAB_FROM_CONE_ROOTS
from panopipe.colour.spaces import SRGB_FROM_XYZ, XYZ_FROM_SRGB, Matrix
from panopipe.colour.transfer import srgb_decode

Planes = NDArray[np.float32]
"""float32 (3, n): red, green and blue planes of linear sRGB, 1.0 at white."""

Cubic = tuple[Planes, Planes, Planes, Planes]
"""Coefficients of each channel, constant term (the same for all three) first."""

SHOULDER_START = 0.85
"""Luminance from which a frame with light above white is rolled off."""
CEILING = float(srgb_decode(253.4 / 255))
"""Highest channel of a colour in a frame with light above white: the code 255 is left to pure white, even
with grain on top."""
LUMINANCE_OF_SRGB: Matrix = XYZ_FROM_SRGB[1]

_CONES_FROM_SRGB: Matrix = CONES_FROM_XYZ @ XYZ_FROM_SRGB
_SRGB_FROM_CONES: Matrix = SRGB_FROM_XYZ @ np.linalg.inv(CONES_FROM_XYZ)
_TINTS_FROM_OKLAB: Matrix = CONE_ROOTS_FROM_OKLAB * np.array([0, 1, 1])
"""Oklab to what its chroma adds to the cone roots of the grey of the same lightness."""
_TOLERANCE = 1e-5
"""How far beside its bound a channel may lie: a few hundredths of an 8-bit code in the deepest black."""
_ROUNDS = 2
"""Steps of a search: lightness is then right to 2e-5 and hue to 0.06 degrees."""
_SEARCHES = 2
"""Searches before the few in a thousand that are left (deep blues) are sieved."""
_SIEVES, _MESH = 3, 64
"""Rounds of the sieve and shares tried in each: 64^-3 is the rounding of float32."""
_CHUNK = 8192
"""Pixels solved at a time, so that the planes stay in cache."""


def fit_to_srgb(planes: Planes, *, ceiling: float = 1.0) -> Planes:
    """Bring colours into sRGB, keeping Oklab lightness and hue.

    Parameters
    ----------
    planes : ndarray of shape (3, n), dtype float32
        Linear sRGB; negative values and values above 1 mean colours it cannot show.
    ceiling : float
        Highest channel that a colour may have, up to 1; only greys lighter than that go above.

    Returns
    -------
    ndarray of shape (3, n), dtype float32
        Linear sRGB, all channels from 0 to 1. Colours that were inside come back bit for bit; lighter
        than white gives white, darker than black gives black.
    """
    outside = np.flatnonzero((_least(planes) < 0) | (_most(planes) > ceiling))
    if not len(outside):
        return planes
    fitted = planes.copy()
    for start in range(0, len(outside), _CHUNK):
        part = outside[start : start + _CHUNK]
        fitted[:, part] = _fitted(np.take(planes, part, axis=1), np.float32(ceiling))
    return fitted


def _fitted(planes: Planes, ceiling: np.float32) -> Planes:
    lightness, tints = _lightness_and_tints(planes)
    cubic = _chroma_cubic(lightness, tints)
    return np.clip(_inside(cubic, np.maximum(ceiling, cubic[0]), _SEARCHES), 0, 1)


def _inside(cubic: Cubic, top: Planes, searches: int) -> Planes:
    """Colours where the lines meet the surface; where a search ends outside, again on what it left."""
    kept = _share_kept(cubic, top) if searches else _sieved(cubic, top)
    colours = _at(cubic, kept)
    lost = np.flatnonzero((_least(colours) < -_TOLERANCE) | (_most(colours - top) > _TOLERANCE))
    if searches and len(lost):
        share = kept[lost]
        grey, first, second, third = (np.take(part, lost, axis=-1) for part in cubic)
        square = share * share
        rest = grey, share * first, square * second, square * share * third
        colours[:, lost] = _inside(rest, top[lost], searches - 1)
    return colours


def _mixed(matrix: Matrix, planes: Planes) -> Planes:
    """Apply a 3x3 matrix to planes; a sum that never depends on how many pixels there are."""
    mixed: Planes = (matrix.astype(np.float32)[:, :, None] * planes).sum(axis=1)
    return mixed


def _least(planes: NDArray[Any]) -> NDArray[Any]:
    least: NDArray[Any] = np.minimum(np.minimum(planes[0], planes[1]), planes[2])
    return least


def _most(planes: NDArray[Any]) -> NDArray[Any]:
    most: NDArray[Any] = np.maximum(np.maximum(planes[0], planes[1]), planes[2])
    return most


def _lightness_and_tints(planes: Planes) -> tuple[Planes, Planes]:
    """Oklab lightness (n,) from 0 to 1, and cone roots (3, n) less those of the grey as light."""
    lab = _mixed(OKLAB_FROM_CONE_ROOTS, np.cbrt(_mixed(_CONES_FROM_SRGB, planes)))
    return np.clip(lab[0], 0, 1), _mixed(_TINTS_FROM_OKLAB, lab)


def _chroma_cubic(lightness: Planes, tints: Planes) -> Cubic:
    """Each linear channel as a cubic of the share of chroma kept.

    Cone roots on the line are `lightness + share * tints`; their cubes mix to linear sRGB.
    """
    squares = tints * tints
    first, second, third = (_mixed(_SRGB_FROM_CONES, power) for power in (tints, squares, squares * tints))
    triple = 3 * lightness
    return lightness * lightness * lightness, triple * lightness * first, triple * second, third


def _at(cubic: Cubic, share: Planes) -> Planes:
    constant, first, second, third = cubic
    value: Planes = ((third * share + second) * share + first) * share + constant
    return value


def _share_kept(cubic: Cubic, top: Planes) -> Planes:
    """Largest share of chroma (n,), from 0 to 1, at which no channel passes its bound.

    The channel that a straight line says is the first to meet its bound is followed by Halley's rule;
    where that was the wrong one, or the search failed, the caller sees a channel outside.
    """
    grey, first, second, third = cubic
    full = third + second + first + grey
    with np.errstate(divide="ignore", invalid="ignore"):
        crossing = np.where(
            full > top, (top - grey) / (full - grey), np.where(full < 0, grey / (grey - full), 1)
        )
        share = _least(crossing)
        red, green = crossing[0] == share, crossing[1] == share
        first, second, third, full = (
            np.where(red, plane[0], np.where(green, plane[1], plane[2]))
            for plane in (first, second, third, full)
        )
        constant = np.where(full > top, grey - top, grey)
        for _ in range(_ROUNDS):
            curving = third * share
            value = ((curving + second) * share + first) * share + constant
            bend = 3 * curving + second
            slope = (bend + second) * share + first
            moved = share - value * slope / (slope * slope - value * bend)
            share = np.fmin(np.fmax(moved, 0), 1)  # 0/0 at black and white: no chroma there
    kept: Planes = np.where((full < 0) | (full > top), share, 1)
    return kept


def _sieved(cubic: Cubic, top: Planes) -> Planes:
    """The same share by trying many, finer and finer, for the few on which the search failed."""
    grey, first, second, third = (part[..., None] for part in cubic)
    low, step = np.zeros_like(grey), np.float32(1)
    for _ in range(_SIEVES):
        step /= _MESH
        value = _at((grey, first, second, third), low + step * np.arange(1, _MESH + 1, dtype=np.float32))
        inside = (_least(value) >= 0) & (_most(value - top[:, None]) <= 0)
        passed = np.logical_and.accumulate(inside, axis=-1).sum(axis=-1, keepdims=True)
        low = low + step * passed.astype(np.float32)
    share: Planes = low[..., 0]
    return share


def roll_off(planes: Planes, peak: float) -> Planes:
    """Bring luminance above white below it, smoothly; chromaticity stays.

    Up to `SHOULDER_START` nothing changes; from there a hyperbola of slope 1 bends over to reach `CEILING`
    at `peak`. With a peak of `CEILING` it is the identity.

    Parameters
    ----------
    planes : ndarray of shape (3, n), dtype float32
        Linear sRGB.
    peak : float
        Highest luminance that is to stay distinct from white, `CEILING` or more.

    Returns
    -------
    ndarray of shape (3, n), dtype float32
        Linear sRGB; luminance above `peak` lies above `CEILING`.

    References
    ----------
    .. [1] E. Reinhard et al., Photographic tone reproduction for digital images, 2002, equation 4: the
       hyperbola, here scaled to start where the shoulder does.
    """
    red, green, blue = LUMINANCE_OF_SRGB.astype(np.float32)
    luminance = red * planes[0] + green * planes[1] + blue * planes[2]
    start, room = np.float32(SHOULDER_START), np.float32(CEILING - SHOULDER_START)
    over = np.maximum(luminance - start, 0) / room
    reach = np.float32((peak - SHOULDER_START) / (CEILING - SHOULDER_START))
    lowered = start + room * over * (1 + over / (reach * reach)) / (1 + over)
    gain = np.where(over > 0, lowered / np.maximum(luminance, start), np.float32(1))
    return np.asarray(planes * gain, dtype=np.float32)
