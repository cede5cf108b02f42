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

Planes = NDArray[np.float32]
"""float32 (3, n): red, green and blue planes of linear sRGB, 1.0 at white."""

Cubic = tuple[Planes, Planes, Planes, Planes]
"""Coefficients of each channel, constant term first."""

SHOULDER_START = 0.85
"""Luminance from which a frame with light above white is rolled off."""
LUMINANCE_OF_SRGB: Matrix = XYZ_FROM_SRGB[1]

_CONES_FROM_SRGB: Matrix = CONES_FROM_XYZ @ XYZ_FROM_SRGB
_SRGB_FROM_CONES: Matrix = SRGB_FROM_XYZ @ np.linalg.inv(CONES_FROM_XYZ)
_TINTS_FROM_OKLAB: Matrix = CONE_ROOTS_FROM_OKLAB * np.array([0, 1, 1])
"""Oklab to what its chroma adds to the cone roots of the grey of the same lightness."""
_TOLERANCE = 1e-5
"""How far beside its bound a channel may lie: a few hundredths of an 8-bit code in the deepest black."""
_ROUNDS = 3
_HALVINGS = 20


def fit_to_srgb(planes: Planes) -> Planes:
    """Bring colours into sRGB, keeping Oklab lightness and hue.

    Parameters
    ----------
    planes : ndarray of shape (3, n), dtype float32
        Linear sRGB; negative values and values above 1 mean colours it cannot show.

    Returns
    -------
    ndarray of shape (3, n), dtype float32
        Linear sRGB, all channels from 0 to 1. Colours that were inside come back bit for bit; lighter
        than white gives white, darker than black gives black.
    """
    outside = (_least(planes) < 0) | (_most(planes) > 1)
    if not outside.any():
        return planes
    if outside.all():
        return _fitted(planes)
    fitted = planes.copy()
    fitted[:, outside] = _fitted(planes[:, outside])
    return fitted


def _fitted(planes: Planes) -> Planes:
    lightness, tints = _lightness_and_tints(planes)
    cubic = _chroma_cubic(lightness, tints)
    return np.clip(_at(cubic, _share_kept(cubic)), 0, 1)


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
    grey = lightness * lightness * lightness
    triple = 3 * lightness
    return np.stack([grey] * 3), triple * lightness * first, triple * second, third


def _at(cubic: Cubic, share: Planes) -> Planes:
    constant, first, second, third = cubic
    value: Planes = ((third * share + second) * share + first) * share + constant
    return value


def _share_kept(cubic: Cubic) -> Planes:
    """Largest share of chroma (n,), from 0 to 1, up to which all channels lie inside."""
    full = _at(cubic, np.ones_like(cubic[0]))
    bound = (full > 0.5).astype(np.float32)
    crossing = _crossing(cubic, full, bound)
    crossing[(full >= 0) & (full <= 1)] = 1
    kept = _least(crossing)
    result = _at(cubic, kept)
    beside = _least(np.where(crossing == kept, np.abs(result - bound), 1))
    lost = (_least(result) < -_TOLERANCE) | (_most(result) > 1 + _TOLERANCE) | (beside > _TOLERANCE)
    if lost.any():
        kept[lost] = _halved(tuple(part[:, lost] for part in cubic))  # type: ignore[arg-type]
    return kept


def _crossing(cubic: Cubic, full: Planes, bound: Planes) -> Planes:
    """Where each channel meets its bound between share 0 and 1, by Halley's rule from the secant."""
    constant, first, second, third = cubic
    constant = constant - bound
    with np.errstate(divide="ignore", invalid="ignore"):
        share: Planes = np.clip(constant / (constant - (full - bound)), 0, 1)
        for _ in range(_ROUNDS):
            curving = third * share
            value = ((curving + second) * share + first) * share + constant
            bend = 3 * curving + second
            slope = (bend + second) * share + first
            share = np.clip(share - value * slope / (slope * slope - value * bend), 0, 1)
    return share


def _halved(cubic: Cubic) -> Planes:
    """The same share by halving, for the few on which the quick search failed."""
    low: Planes = np.zeros_like(cubic[0][0])
    high: Planes = np.ones_like(low)
    for _ in range(_HALVINGS):
        middle: Planes = np.asarray((low + high) / 2, dtype=np.float32)
        value = _at(cubic, middle)
        inside = (_least(value) >= 0) & (_most(value) <= 1)
        low, high = np.where(inside, middle, low), np.where(inside, high, middle)
    return low


def roll_off(planes: Planes, peak: float) -> Planes:
    """Bring luminance above white below it, smoothly; chromaticity stays.

    Up to `SHOULDER_START` nothing changes; from there a hyperbola of slope 1 bends over to reach 1.0 at
    `peak`. With a peak of 1 it is the identity.

    Parameters
    ----------
    planes : ndarray of shape (3, n), dtype float32
        Linear sRGB.
    peak : float
        Luminance that becomes white, 1 or more.

    Returns
    -------
    ndarray of shape (3, n), dtype float32
        Linear sRGB; luminance above `peak` lies above 1.

    References
    ----------
    .. [1] E. Reinhard et al., Photographic tone reproduction for digital images, 2002, equation 4: the
       hyperbola, here scaled to start where the shoulder does.
    """
    red, green, blue = LUMINANCE_OF_SRGB.astype(np.float32)
    luminance = red * planes[0] + green * planes[1] + blue * planes[2]
    start, room = np.float32(SHOULDER_START), np.float32(1 - SHOULDER_START)
    over = np.maximum(luminance - start, 0) / room
    reach = np.float32((peak - SHOULDER_START) / (1 - SHOULDER_START))
    lowered = start + room * over * (1 + over / (reach * reach)) / (1 + over)
    gain = np.where(over > 0, lowered / np.maximum(luminance, start), np.float32(1))
    return np.asarray(planes * gain, dtype=np.float32)
