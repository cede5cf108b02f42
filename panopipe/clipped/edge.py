"""Pixels at the edge of a saturated area.

A stitcher resamples. A pixel on the edge of a saturated area is then a mixture of saturated and other
samples: none of its planes reads saturated, yet the saturated part of it has the wrong colour, which makes
the magenta rim of a window. What was added to the saturated neighbour is added to the mixture by its
share.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from panopipe.clipped.rebuild import Floats

REACH = 2
"""Pixels from a saturated one that its resampling kernel may have reached."""

Samples = NDArray[Any]
Places = NDArray[np.intp]

_SIDED = 0.5
"""Pixels from which the saturated neighbours lie on one side."""
_SPAN = range(-REACH, REACH + 1)
_AT_ONCE = 8192
"""Edge pixels worked on at once, which bounds the memory."""
_OFFSETS = [(y, x) for y in _SPAN for x in _SPAN if (y, x) != (0, 0)]


def edge_gain(
    share: Callable[[Samples], Floats],
    pixels: Samples,
    width: int,
    index: NDArray[np.int32],
    edge: Places,
    doubted_gain: Floats,
) -> Floats:
    """What pixels lack that may be mixtures of saturated and other samples.

    Parameters
    ----------
    share : callable
        Turns samples of shape (..., 3) into shares of the white level.
    pixels : ndarray of shape (height * width, 3)
        Samples; three rows and columns about each edge pixel are among them.
    width : int
        Columns of them.
    index : ndarray of shape (height * width,), dtype int32
        For doubted pixels their place in `doubted_gain`, -1 for trusted ones.
    edge : ndarray of shape (m,), dtype intp
        Pixels to work on, ``row * width + column``; each has a doubted one within `REACH`.
    doubted_gain : ndarray of shape (n, 3), dtype float64
        What doubted pixels lack, as a share of the white level.

    Returns
    -------
    ndarray of shape (m, 3), dtype float64
        As a share of the white level; never negative.
    """
    with_none = np.concatenate([doubted_gain, np.zeros((1, 3))])
    parts = [edge[at : at + _AT_ONCE] for at in range(0, max(len(edge), 1), _AT_ONCE)]
    return np.concatenate([_Edge(share, pixels, width, index, part).gain(with_none) for part in parts])


class _Edge:
    """Some edge pixels, and what lies around them."""

    def __init__(
        self,
        share: Callable[[Samples], Floats],
        pixels: Samples,
        width: int,
        index: NDArray[np.int32],
        places: Places,
    ) -> None:
        self._share, self._pixels, self._width, self._index = share, pixels, width, index
        self._places = places

    def gain(self, with_none: Floats) -> Floats:
        """Share of the saturated neighbours' gain that each pixel gets.

        The share is where the pixel stands, plane for plane, between what it would be without the
        saturated light and the mean of its saturated neighbours (least squares over the planes).
        """
        own = self._at(self._places)
        around = np.stack([self._places + (down * self._width + right) for down, right in _OFFSETS])
        samples, place = np.take(self._pixels, around, axis=0), np.take(self._index, around)
        saturated = (place >= 0)[:, :, None]
        count = saturated.sum(axis=0)
        darkest = np.minimum(self._share(samples.min(axis=0)), own)
        centre = (saturated * np.array(_OFFSETS)[:, None, :]).sum(axis=0) / count
        bright = self._share(_sum(samples * saturated) / count)
        added = _sum(np.take(with_none, place, axis=0)) / count
        without = self._without(centre, own, darkest)
        step = bright - without
        between = _dot(own - without, step) / np.maximum(_dot(step, step), 1e-12)
        return np.asarray(np.clip(between, 0, 1)[:, None] * added)

    def _without(self, centre: Floats, own: Floats, darkest: Floats) -> Floats:
        """What a pixel would be without its saturated neighbours.

        The slope on the side away from them goes on; between two saturated sides it is the darkest sample
        around.
        """
        length = np.sqrt(centre[:, 0] ** 2 + centre[:, 1] ** 2)
        away = centre * (-1 / np.maximum(length, 1e-6))[:, None]
        usable = length > _SIDED
        seen = []
        for distance in (2, 3):
            step = np.rint(away * distance).astype(np.intp)
            there = self._places + step[:, 0] * self._width + step[:, 1]
            usable &= self._index[there] < 0
            seen.append(self._at(there))
        continued = np.minimum(np.maximum(3 * seen[0] - 2 * seen[1], darkest), own)
        return np.asarray(np.where(usable[:, None], continued, darkest))

    def _at(self, places: Places) -> Floats:
        return self._share(np.take(self._pixels, places, axis=0))


def rows_and_columns(places: Places, width: int) -> tuple[Places, Places]:
    """Split ``row * width + column``; by one division, as numpy's divmod takes several."""
    rows = places // width
    return rows, places - rows * width


def _sum(terms: NDArray[Any]) -> Floats:
    """Sum along the first axis, term after term, in that order whatever the shape."""
    total: Floats = terms[0].astype(np.float64)
    for term in terms[1:]:
        total += term
    return total


def _dot(one: Floats, other: Floats) -> Floats:
    product = one * other
    return np.asarray(product[:, 0] + product[:, 1] + product[:, 2])
