"""Pixels at the edge of a saturated area.

A stitcher resamples. A pixel on the edge of a saturated area is then a mixture of saturated and other
samples: none of its planes reads saturated, yet the saturated part of it has the wrong colour, which makes
the magenta rim of a window. What was added to the saturated neighbour is added to the mixture by its
share.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.precise import exp, log
from panopipe.studies.clipped.rebuild import DARKEST, Floats, Lights

REACH = 2
"""Pixels from a saturated one that its resampling kernel may have reached."""

Samples = NDArray[Any]
Places = NDArray[np.intp]

SIDED = 0.5
"""Pixels from which the saturated neighbours lie on one side."""
TINT_OFF = 0.03
"""How far what is added may take a pixel off the line of lights, beyond where its samples lie: a chroma of
about 2 in CIELAB at middle lightness."""
_SPAN = range(-REACH, REACH + 1)
_AT_ONCE = 8192
"""Edge pixels worked on at once, which bounds the memory."""
_OFFSETS = [(y, x) for y in _SPAN for x in _SPAN if (y, x) != (0, 0)]


def edge_gain(
    share: Floats, width: int, index: Places, edge: Places, doubted_gain: Floats
) -> tuple[Floats, Floats]:
    """What pixels lack that may be mixtures of saturated and other samples.

    Each gets a share of what its saturated neighbours lack: where it stands, plane for plane, between what
    it would be without the saturated light and the mean of those neighbours (least squares over the planes).

    Parameters
    ----------
    share : ndarray of shape (height * width, 3), dtype float64
        Samples as a share of the white level; three rows and columns about each edge pixel are among them.
    width : int
        Columns of them.
    index : ndarray of shape (height * width,), dtype intp
        For doubted pixels their place in `doubted_gain`, -1 for trusted ones.
    edge : ndarray of shape (m,), dtype intp
        Pixels to work on, ``row * width + column``; each has a doubted one within `REACH`.
    doubted_gain : ndarray of shape (n, 3), dtype float64
        What doubted pixels lack, as a share of the white level.

    Returns
    -------
    gain : ndarray of shape (m, 3), dtype float64
        As a share of the white level; never negative.
    window : ndarray of shape (m,), dtype float64
        How much of the light of each pixel is that of its saturated neighbours, as far as they were shown
        brighter, 0 to 1.
    """
    gain, window = np.empty((len(edge), 3)), np.empty(len(edge))
    with_none = np.concatenate([doubted_gain, np.zeros((1, 3))])
    for at in range(0, len(edge), _AT_ONCE):
        places = edge[at : at + _AT_ONCE]
        own = share[places]
        around = np.stack([places + (down * width + right) for down, right in _OFFSETS])
        shares, doubted = share[around], index[around]
        saturated = (doubted >= 0)[:, :, None]
        count = saturated.sum(axis=0)
        darkest = np.minimum(shares.min(axis=0), own)
        centre = (saturated * np.array(_OFFSETS)[:, None, :]).sum(axis=0) / count
        added = _sum(with_none[doubted]) / count
        without = _without(share, index, width, places, centre, darkest)
        bright = _sum(shares * saturated) / count
        step = bright - without
        between = _dot(own - without, step) / np.maximum(_dot(step, step), 1e-12)
        gain[at : at + _AT_ONCE] = np.clip(between, 0, 1)[:, None] * added
        left, whole, more, there = map(_planes, (without, own, added, bright))
        theirs = np.clip(1 - left / np.maximum(whole, DARKEST), 0, 1)
        window[at : at + _AT_ONCE] = theirs * (more / np.maximum(more + there, DARKEST))
    return gain, window


def held_to_line(
    share: Floats, own: Floats, wanted: Floats, window: Floats, tint: Floats, lights: Lights
) -> Floats:
    """What is added to edge pixels, so that none leaves the line of lights by it.

    A lawn that saturates is shown white, so what of it lies on a bar before it may not stay green: as far as
    a pixel's light is that of its saturated neighbours, its green comes down to the line of lights.

    Parameters
    ----------
    share, own, wanted : ndarray of shape (m, 3), dtype float64
        Samples as a share of the white level; what they lack by themselves; and what they lack as mixtures,
        at least as much.
    window : ndarray of shape (m,), dtype float64
        See `edge_gain`.
    tint : ndarray of shape (m,), dtype float64
        Of the bright surroundings, see `panopipe.studies.clipped.rebuild.rebuilt_gain`.
    lights : Lights
        The frame's lights.

    Returns
    -------
    ndarray of shape (m, 3), dtype float64
        Between `own` and `wanted`, less where green is too much.
    """
    more = wanted - own
    before = _tint(share + own, lights)
    highest, lowest = np.maximum(before, tint) + TINT_OFF, np.minimum(before, tint) - TINT_OFF
    part = np.ones(len(share))
    for _ in range(2):  # by secants: the logarithm bends a little
        now = _tint(share + own + part[:, None] * more, lights)
        bound = np.minimum(np.maximum(now, lowest), highest)
        off = now != bound
        part = np.where(off, part * ((bound - before) / np.where(off, now - before, 1.0)), part)
    gain = own + part[:, None] * more
    excess = np.maximum(_tint(share + gain, lights) - tint, 0)
    gain[:, 1] = (share[:, 1] + gain[:, 1]) * exp(-(excess * window)) - share[:, 1]
    return np.asarray(gain)


def _tint(share: Floats, lights: Lights) -> Floats:
    red, green, blue = (log(np.maximum(share[:, k] / lights.neutral[k], DARKEST)) for k in range(3))
    return np.asarray(green - lights.share_of_red * red - (1 - lights.share_of_red) * blue)


def _without(
    share: Floats, index: Places, width: int, places: Places, centre: Floats, darkest: Floats
) -> Floats:
    """What pixels would be without their saturated neighbours, the middle of which is given.

    The slope on the side away from them goes on; between two saturated sides it is the darkest sample
    around.
    """
    length = np.sqrt(centre[:, 0] ** 2 + centre[:, 1] ** 2)
    away = centre * (-1 / np.maximum(length, 1e-6))[:, None]
    usable = length > SIDED
    seen = []
    for distance in (2, 3):
        step = np.rint(away * distance).astype(np.intp)
        there = places + step[:, 0] * width + step[:, 1]
        usable &= index[there] < 0
        seen.append(share[there])
    continued = np.minimum(np.maximum(3 * seen[0] - 2 * seen[1], darkest), share[places])
    return np.asarray(np.where(usable[:, None], continued, darkest))


def _sum(terms: NDArray[Any]) -> Floats:
    """Sum along the first axis, term after term, in that order whatever the shape."""
    total: Floats = np.zeros(terms.shape[1:])
    for term in terms:
        total += term
    return total


def _planes(light: Floats) -> Floats:
    return np.asarray(light[:, 0] + light[:, 1] + light[:, 2])


def _dot(first: Floats, second: Floats) -> Floats:
    product = first * second
    return np.asarray(product[:, 0] + product[:, 1] + product[:, 2])
