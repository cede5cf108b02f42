"""The light to add to a band of rows: where planes saturate, and at the edge of it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.clipped.edge import REACH, Places, Samples, edge_gain, rows_and_columns
from panopipe.clipped.rebuild import SATURATED, TRUSTED, Floats, Lights, rebuilt_gain
from panopipe.clipped.surroundings import Surroundings
from panopipe.clipped.windows import Window, windows

MARGIN = 4
"""Rows that a band must bring along on either side."""
_PAD = 5
"""Columns that a window brings along: an edge pixel lies `REACH` off and looks three pixels further."""


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
            each pixel at most once, ascending.
        gain : ndarray of shape (m, 3), dtype float64
            What to add, as a share of the white level; never negative.
        """
        found = [
            self._window_gain(samples, first, window)
            for window in windows(samples, self._threshold(samples), REACH)
        ]
        if not found:
            return np.zeros(0, np.intp), np.zeros((0, 3))
        places = np.concatenate([part for part, _ in found])
        order = np.argsort(places)
        return places[order], np.concatenate([part for _, part in found])[order]

    def _window_gain(self, samples: Samples, first: int, window: Window) -> tuple[Places, Floats]:
        """What `gain` gives, of the pixels of a window."""
        band, width = len(samples) - 2 * MARGIN, samples.shape[1]
        top = min(max(window.top - MARGIN, 0), band)
        bottom = min(window.bottom - MARGIN, band)
        if bottom <= top:
            return np.zeros(0, np.intp), np.zeros((0, 3))
        columns = np.arange(window.left - _PAD, window.left + window.width + _PAD) % width
        part = np.take(samples[top : bottom + 2 * MARGIN], columns, axis=1)
        places, gain = self._part_gain(part, first + top, columns, width)
        rows, within = rows_and_columns(places, len(columns))
        return (rows + top) * width + columns[within], gain

    def _part_gain(
        self, samples: Samples, first: int, columns: Places, frame_width: int
    ) -> tuple[Places, Floats]:
        """Pixels of a part of a band, all but what it brought along, and what they lack."""
        height, width = samples.shape[:2]
        shares = self.share(samples).reshape(-1, 3)
        over = shares > TRUSTED
        doubted = np.flatnonzero(over[:, 0] | over[:, 1] | over[:, 2])
        share = np.take(shares, doubted, axis=0)
        full = _lowest(share) >= SATURATED
        rows, within = rows_and_columns(doubted, width)
        near = (rows >= MARGIN - REACH) & (rows < height - MARGIN + REACH)
        gain = np.maximum(self.lights.highest * self.lights.neutral - share, 0)
        some = np.flatnonzero(~full & near)
        turned = (columns[within[some]] - self.anchor) % frame_width
        around = self.surroundings.at(rows[some] + (first - MARGIN), turned, frame_width)
        gain[some] = rebuilt_gain(share[some], *around, self.lights)
        index = np.full(height * width, -1, np.int32)
        index[doubted] = np.arange(len(doubted), dtype=np.int32)
        is_full = np.zeros(height * width, np.bool_)
        is_full[doubted[full]] = True
        inner = (slice(MARGIN, height - MARGIN), slice(_PAD, width - _PAD))
        edge = _edge((index >= 0).reshape(height, width), is_full.reshape(height, width), inner)
        added = edge_gain(shares, width, index, edge, gain)
        own = index[edge]
        known = own >= 0
        gain[own[known]] = np.maximum(gain[own[known]], added[known])
        inside = (rows >= MARGIN) & (rows < height - MARGIN) & (within >= _PAD) & (within < width - _PAD)
        places = np.concatenate([doubted[inside], edge[~known]]) - MARGIN * width
        return places, np.concatenate([gain[inside], added[~known]])


def _lowest(share: Floats) -> Floats:
    return np.asarray(np.minimum(np.minimum(share[:, 0], share[:, 1]), share[:, 2]))


def _edge(doubted: NDArray[np.bool_], full: NDArray[np.bool_], inner: tuple[slice, slice]) -> Places:
    """Pixels of the inner part that may be mixtures.

    They have a doubted one within reach and are trusted, or a wholly saturated one and are not so.
    """
    mixed = np.zeros(doubted.shape, np.bool_)
    mixed[inner] = ((_grown(doubted) & ~doubted) | (_grown(full) & ~full))[inner]
    return np.flatnonzero(mixed)


def _grown(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    kernel = np.ones((2 * REACH + 1, 2 * REACH + 1), np.uint8)
    return np.asarray(cv2.dilate(mask.view(np.uint8), kernel) > 0)
