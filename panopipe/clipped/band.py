"""The light to add to a band of rows: where planes saturate, and at the edge of it.

A stitcher resamples. A pixel on the edge of a saturated area is then a mixture of saturated and other
samples: none of its planes reads saturated, yet the saturated part of it has the wrong colour, which makes
the magenta rim of a window. What was added to the saturated neighbour is added to the mixture by its
share.
"""

from __future__ import annotations

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
        return bool(samples.size) and float(samples.max()) > self._threshold

    @property
    def _threshold(self) -> float:
        return float(np.min(self.black + TRUSTED * (self.white - self.black)))

    def gain(self, samples: Samples, first: int) -> tuple[Places, Places, Floats]:
        """Find saturated pixels and their edges in a band, and what their samples lack.

        Parameters
        ----------
        samples : ndarray of shape (n + 2 MARGIN, width, 3)
            Samples as the file holds them: rows of a whole frame with `MARGIN` more on either side.
        first : int
            Row of the frame that `samples[MARGIN]` is.

        Returns
        -------
        rows, columns : ndarray of shape (m,), dtype intp
            Pixels, rows counted in the band of n rows, columns as in the file, each pixel at most once.
        gain : ndarray of shape (m, 3), dtype float64
            What to add, as a share of the white level; never negative.
        """
        rows, columns, share = self._doubtful(samples)
        full = _lowest(share) >= SATURATED
        gain = self._pixel_gain(rows + (first - MARGIN), columns, share, full, samples.shape[1])
        index = np.full(samples.shape[:2], -1, np.int32)
        index[rows, columns] = np.arange(len(rows), dtype=np.int32)
        all_full = np.zeros(samples.shape[:2], np.bool_)
        all_full[rows[full], columns[full]] = True
        edge = _edge(index >= 0, all_full)
        edge_gain = self._edge_gain(samples, index, gain, *edge)
        own = index[edge]
        gain[own[own >= 0]] = np.maximum(gain[own[own >= 0]], edge_gain[own >= 0])
        inside = (rows >= MARGIN) & (rows < samples.shape[0] - MARGIN)
        fresh = own < 0
        return (
            np.concatenate([rows[inside], edge[0][fresh]]) - MARGIN,
            np.concatenate([columns[inside], edge[1][fresh]]),
            np.concatenate([gain[inside], edge_gain[fresh]]),
        )

    def _doubtful(self, samples: Samples) -> tuple[Places, Places, Floats]:
        """Pixels that are not wholly trusted, and their samples as shares."""
        pixels = np.flatnonzero(samples.reshape(-1) > self._threshold) // 3
        pixels = pixels[np.diff(pixels, prepend=-1) > 0]
        share = self.share(samples.reshape(-1, 3)[pixels])
        over = np.maximum(np.maximum(share[:, 0], share[:, 1]), share[:, 2]) > TRUSTED
        rows, columns = np.divmod(pixels[over], samples.shape[1])
        return rows, columns, np.ascontiguousarray(share[over])

    def _pixel_gain(
        self, rows: Places, columns: Places, share: Floats, full: NDArray[np.bool_], width: int
    ) -> Floats:
        gain = np.maximum(self.lights.highest * self.lights.neutral - share, 0)
        part = np.flatnonzero(~full)
        around = self.surroundings.at(rows[part], (columns[part] - self.anchor) % width, width)
        gain[part] = rebuilt_gain(np.ascontiguousarray(share[part]), *around, self.lights)
        return gain

    def _edge_gain(
        self, samples: Samples, index: NDArray[np.int32], gain: Floats, rows: Places, columns: Places
    ) -> Floats:
        """Share of the neighbours' gain that a mixture of saturated and other samples gets.

        The share is where the pixel stands, plane for plane, between what it would be without the
        saturated light and the mean of its saturated neighbours (least squares over the planes).
        """
        width = samples.shape[1]
        with_none = np.concatenate([gain, np.zeros((1, 3))])
        own = self.share(samples[rows, columns])
        darkest, bright, added = own.copy(), np.zeros_like(own), np.zeros_like(own)
        count, centre = np.zeros((len(rows), 1)), np.zeros((len(rows), 2))
        for down, right in _OFFSETS:
            there = rows + down, (columns + right) % width
            share, place = self.share(samples[there]), index[there]
            saturated = (place >= 0)[:, None]
            np.minimum(darkest, share, out=darkest)
            bright += share * saturated
            added += with_none[place]
            count += saturated
            centre += saturated * np.array((down, right))
        count = np.maximum(count, 1)
        without = self._without(samples, index, (rows, columns), centre / count, own, darkest)
        step = bright / count - without
        place_between = _dot(own - without, step) / np.maximum(_dot(step, step), 1e-12)
        return np.asarray(np.clip(place_between, 0, 1)[:, None] * added / count)

    def _without(
        self,
        samples: Samples,
        index: NDArray[np.int32],
        pixel: tuple[Places, Places],
        centre: Floats,
        own: Floats,
        darkest: Floats,
    ) -> Floats:
        """What a pixel would be without its saturated neighbours: the slope on the side away from them
        goes on, or, between two saturated sides, the darkest sample around.
        """
        width = samples.shape[1]
        length = np.sqrt(centre[:, 0] ** 2 + centre[:, 1] ** 2)
        away = centre * (-1 / np.maximum(length, 1e-6))[:, None]
        usable = length > _SIDED
        seen = []
        for distance in (2, 3):
            step = np.rint(away * distance).astype(np.intp)
            there = pixel[0] + step[:, 0], (pixel[1] + step[:, 1]) % width
            usable &= index[there] < 0
            seen.append(self.share(samples[there]))
        continued = np.minimum(np.maximum(3 * seen[0] - 2 * seen[1], darkest), own)
        return np.asarray(np.where(usable[:, None], continued, darkest))


def _lowest(share: Floats) -> Floats:
    return np.asarray(np.minimum(np.minimum(share[:, 0], share[:, 1]), share[:, 2]))


def _dot(one: Floats, other: Floats) -> Floats:
    product = one * other
    return np.asarray(product[:, 0] + product[:, 1] + product[:, 2])


def _edge(doubted: NDArray[np.bool_], full: NDArray[np.bool_]) -> tuple[Places, Places]:
    """Pixels of the band itself that may be mixtures.

    They have a doubted one within reach and are trusted, or a wholly saturated one and are not so.
    """
    band = slice(MARGIN, -MARGIN)
    mixed = (_grown(doubted) & ~doubted[band]) | (_grown(full) & ~full[band])
    rows, columns = np.nonzero(mixed)
    return rows + MARGIN, columns


def _grown(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Rows of the band itself, grown by the reach, around the sides."""
    wide = np.concatenate([mask[:, -_REACH:], mask, mask[:, :_REACH]], axis=1).astype(np.uint8)
    kernel = np.ones((2 * _REACH + 1, 2 * _REACH + 1), np.uint8)
    return np.asarray(cv2.dilate(wide, kernel)[MARGIN:-MARGIN, _REACH:-_REACH] > 0)
