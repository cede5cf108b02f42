"""The light to add to a band of rows: where planes saturate, and at the edge of it.

A stitcher resamples. A pixel on the edge of a saturated area is then a mixture of saturated and other
samples: none of its planes reads saturated, yet the saturated part of it has the wrong colour, which makes
the magenta rim of a window. What was added to the saturated neighbour is added to the mixture by its
share.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.clipped.rebuild import SATURATED, TRUSTED, Floats, Lights, rebuilt_gain
from panopipe.clipped.surroundings import Surroundings

_REACH = 2
"""Pixels from a saturated one that its resampling kernel may have reached."""
MARGIN = 4
"""Rows that a band must bring along on either side."""

Samples = NDArray[Any]
Places = NDArray[np.intp]

_SIDED = 0.5
"""Pixels from which the saturated neighbours lie on one side."""
_SPAN = range(-_REACH, _REACH + 1)
_AT_ONCE = 8192
"""Edge pixels worked on at once, which bounds the memory."""
_OFFSETS = [(y, x) for y in _SPAN for x in _SPAN if (y, x) != (0, 0)]


@dataclass(frozen=True, slots=True)
class Rebuilder:
    """All that is needed to rebuild any band of one frame.

    Attributes
    ----------
    black, white : ndarray of shape (3,), dtype float64
        Sample values of no light and of saturation.
    lights : Lights
        The frame's lights.
    surroundings : Surroundings
        What the frame told of them.
    anchor : int
        Column of the samples at which the surroundings' map starts.
    """

    black: Floats
    white: Floats
    lights: Lights
    surroundings: Surroundings
    anchor: int

    def share(self, samples: Samples) -> Floats:
        """Samples as a share of the white level, shape (n, 3) or (n, m, 3)."""
        return np.asarray((samples.astype(np.float64) - self.black) * (1 / (self.white - self.black)))

    def touches(self, samples: Samples) -> bool:
        """Whether any sample is high enough to be doubted; quick."""
        return bool(samples.size) and samples.max() > self._threshold(samples)

    def _threshold(self, samples: Samples) -> Any:
        """Sample value up to which no plane is doubted, in the samples' own type."""
        value = float(np.min(self.black + TRUSTED * (self.white - self.black)))
        return samples.dtype.type(value if samples.dtype.kind == "f" else math.floor(value))

    def gain(self, samples: Samples, first: int) -> tuple[Places, Floats]:
        """Find saturated pixels and their edges in a band, and what their samples lack.

        Parameters
        ----------
        samples : ndarray of shape (n + 2 MARGIN, width, 3)
            Samples as the file holds them: rows of a whole frame with `MARGIN` more on either side.
        first : int
            Row of the frame that `samples[MARGIN]` is.

        Returns
        -------
        places : ndarray of shape (m,), dtype intp
            Pixels, ``row * width + column``, rows counted in the band of n rows, columns as in the file;
            each pixel at most once.
        gain : ndarray of shape (m, 3), dtype float64
            What to add, as a share of the white level; never negative.
        """
        height, width = samples.shape[:2]
        pixels = np.ascontiguousarray(samples).reshape(-1, 3)
        doubted, share = self._doubted(pixels)
        full = _lowest(share) >= SATURATED
        gain = self._pixel_gain(doubted, share, full, first - MARGIN, (height, width))
        index = np.full(height * width, -1, np.int32)
        index[doubted] = np.arange(len(doubted), dtype=np.int32)
        is_full = np.zeros(height * width, np.bool_)
        is_full[doubted[full]] = True
        edge = _edge((index >= 0).reshape(height, width), is_full.reshape(height, width))
        parts = [edge[at : at + _AT_ONCE] for at in range(0, max(len(edge), 1), _AT_ONCE)]
        edge_gain = np.concatenate([_Edge(self, pixels, width, index, part).gain(gain) for part in parts])
        own = index[edge]
        known = own >= 0
        gain[own[known]] = np.maximum(gain[own[known]], edge_gain[known])
        inside = (doubted >= MARGIN * width) & (doubted < (height - MARGIN) * width)
        places = np.concatenate([doubted[inside], edge[~known]]) - MARGIN * width
        return places, np.concatenate([gain[inside], edge_gain[~known]])

    def _doubted(self, pixels: Samples) -> tuple[Places, Floats]:
        """Pixels that are not wholly trusted, and their samples as shares."""
        over = pixels > self._threshold(pixels)
        places = np.flatnonzero(over[:, 0] | over[:, 1] | over[:, 2])
        share = self.share(np.take(pixels, places, axis=0))
        if np.all(self.black == self.black[0]) and np.all(self.white == self.white[0]):
            return places, share
        doubted = np.maximum(np.maximum(share[:, 0], share[:, 1]), share[:, 2]) > TRUSTED
        return places[doubted], np.ascontiguousarray(share[doubted])

    def _pixel_gain(
        self, places: Places, share: Floats, full: NDArray[np.bool_], first: int, shape: tuple[int, int]
    ) -> Floats:
        """Gain of doubted pixels; that of rows out of reach of the band is never asked for."""
        height, width = shape
        gain = np.maximum(self.lights.highest * self.lights.neutral - share, 0)
        top, bottom = (MARGIN - _REACH) * width, (height - MARGIN + _REACH) * width
        part = np.flatnonzero(~full & (places >= top) & (places < bottom))
        rows, columns = rows_and_columns(places[part], width)
        around = self.surroundings.at(rows + first, (columns - self.anchor) % width, width)
        gain[part] = rebuilt_gain(np.ascontiguousarray(share[part]), *around, self.lights)
        return gain


class _Edge:
    """Pixels that may be mixtures of saturated and other samples, and what lies around them."""

    def __init__(
        self, frame: Rebuilder, pixels: Samples, width: int, index: NDArray[np.int32], places: Places
    ) -> None:
        self._share, self._pixels, self._index = frame.share, pixels, index
        self._width = width
        self._rows, self._columns = rows_and_columns(places, width)

    def gain(self, doubted_gain: Floats) -> Floats:
        """Share of the saturated neighbours' gain that each pixel gets.

        The share is where the pixel stands, plane for plane, between what it would be without the
        saturated light and the mean of its saturated neighbours (least squares over the planes).
        """
        with_none = np.concatenate([doubted_gain, np.zeros((1, 3))])
        own = self._at(self._there(0, 0))
        around = np.stack([self._there(down, right) for down, right in _OFFSETS])
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
            there = self._there(step[:, 0], step[:, 1])
            usable &= self._index[there] < 0
            seen.append(self._at(there))
        continued = np.minimum(np.maximum(3 * seen[0] - 2 * seen[1], darkest), own)
        return np.asarray(np.where(usable[:, None], continued, darkest))

    def _at(self, places: Places) -> Floats:
        return self._share(np.take(self._pixels, places, axis=0))

    def _there(self, down: Places | int, right: Places | int) -> Places:
        """Places some pixels off, going round the sides."""
        columns = self._columns + right
        columns += (columns < 0) * self._width
        columns -= (columns >= self._width) * self._width
        return np.asarray((self._rows + down) * self._width + columns)


def rows_and_columns(places: Places, width: int) -> tuple[Places, Places]:
    """Split ``row * width + column``; by one division, as numpy's divmod takes several."""
    rows = places // width
    return rows, places - rows * width


def _lowest(share: Floats) -> Floats:
    return np.asarray(np.minimum(np.minimum(share[:, 0], share[:, 1]), share[:, 2]))


def _sum(terms: NDArray[Any]) -> Floats:
    """Sum along the first axis, term after term, in that order whatever the shape."""
    total: Floats = terms[0].astype(np.float64)
    for term in terms[1:]:
        total += term
    return total


def _dot(one: Floats, other: Floats) -> Floats:
    product = one * other
    return np.asarray(product[:, 0] + product[:, 1] + product[:, 2])


def _edge(doubted: NDArray[np.bool_], full: NDArray[np.bool_]) -> Places:
    """Pixels of the band itself that may be mixtures.

    They have a doubted one within reach and are trusted, or a wholly saturated one and are not so.
    """
    band = slice(MARGIN, -MARGIN)
    mixed = (_grown(doubted) & ~doubted[band]) | (_grown(full) & ~full[band])
    places: Places = np.flatnonzero(mixed) + MARGIN * doubted.shape[1]
    return places


def _grown(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Rows of the band itself, grown by the reach, around the sides."""
    wide = np.concatenate([mask[:, -_REACH:], mask, mask[:, :_REACH]], axis=1).astype(np.uint8)
    kernel = np.ones((2 * _REACH + 1, 2 * _REACH + 1), np.uint8)
    return np.asarray(cv2.dilate(wide, kernel)[MARGIN:-MARGIN, _REACH:-_REACH] > 0)
