"""Rows of a bracket joined while they are read: every exposure laid on the reference, then weighted by noise.

Of each exposure only the rows that the next ones need are held: some more than the camera's sway moves them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.merge import NEAR_FROM, NEAR_TO, highest_share, merge
from panopipe.pixels.warp import REACH, nodes_of, warp
from panopipe.sphere.geometry import pitch_of_row, yaw_of_column
from panopipe.studies.bracket.motion import Motion
from panopipe.studies.bracket.moved import Moved

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]
ReadRows = Callable[[int, int], NDArray[Any]]

_NEAR = 3
"""Pixels around a saturated sample that a stitcher's kernel may have mixed with it."""
_PIXELS, _FEWEST_ROWS = 3 << 16, 8
"""Pixels joined at a time, in whole rows: what is held of an exposure then hardly grows with the frame."""
_NEAR_POLE, _ROW_STEP = 0.06, 8
"""Share of the rows at each pole, some 11 degrees, told row by row; elsewhere every so many are."""
_TOLD_AT_ONCE = 33
"""Of these, so many are found at once: numpy's calls cost more than a row of nodes does."""
_DARK = 3.0
"""Least light that is expected, in standard deviations of reading in the longest exposure."""


@dataclass(frozen=True, slots=True)
class Exposure:
    """What is known of one exposure's samples.

    Attributes
    ----------
    time : float
        Light that it took against the reference.
    black, white : ndarray of shape (3,), dtype float64
        Samples of no light, and those that stand for 1 of its light.
    level : ndarray of shape (3,), dtype float64
        Share of the white level at which it is cut off.
    noise : ndarray of shape (3, 2), dtype float64
        Variance of a sample of each plane over its share of the white level, and in darkness.
    motion : Motion
        Where directions of the reference are in it.
    """

    time: float
    black: Floats
    white: Floats
    level: Floats
    noise: Floats
    motion: Motion

    def is_sound(self) -> bool:
        """Whether it can be an exposure: it may come from a job folder that a stranger made."""
        arrays = ((self.black, (3,)), (self.white, (3,)), (self.level, (3,)), (self.noise, (3, 2)))
        if not (isinstance(self.time, float) and 1e-6 < self.time < 1e6 and isinstance(self.motion, Motion)):
            return False
        if not all(isinstance(a, np.ndarray) and a.shape == s and np.isfinite(a).all() for a, s in arrays):
            return False
        levels = bool(np.all(self.white > self.black) and np.all((self.level > 0) & (self.level <= 1)))
        return levels and bool(np.all(self.noise >= 0)) and self.motion.is_sound()

    def facts(self) -> Floats:
        """Black, gain, time, slope and least of noise by plane, for samples that are cut off at 1."""
        gain = 1 / (self.level * (self.white - self.black))
        time = self.time / self.level
        return np.stack(
            [self.black, gain, time, self.noise[:, 0] / self.level, self.noise[:, 1] / self.level**2], 1
        )

    def reduced(self, averaged: float) -> Exposure:
        """The same for means of so many of its pixels, which are 1 where its samples are cut off."""
        return replace(self, black=np.zeros(3), white=1 / self.level, noise=self.noise / averaged)


def facts_of(exposures: Sequence[Exposure]) -> Picture:
    """What `pixels.merge` wants to know of exposures, shape (n, 3, 6)."""
    facts = np.stack([exposure.facts() for exposure in exposures])
    least = np.min(_DARK * np.sqrt(facts[:, :, 4]) / facts[:, :, 2], axis=0)
    dark = np.broadcast_to(np.maximum(least, 1e-7)[None, :, None], (*facts.shape[:2], 1))
    return np.concatenate([facts, dark], axis=2).astype(np.float32)


class RowWindow:
    """Rows of one exposure that follow each other, each read once while windows go on downwards.

    Beyond the poles they go on by the half-turn rule.
    """

    def __init__(self, read: ReadRows, width: int) -> None:
        self._read, self._height, self._half = read, width // 2, width // 2
        self._held: NDArray[Any] | None = None
        self._first = 0

    def rows(self, first: int, last: int) -> NDArray[Any]:
        """Rows from `first` (which may be negative) to `last` (which may lie beyond the frame)."""
        top, bottom = max(first, 0), min(last, self._height)
        inner = self._inner(top, bottom)
        parts = [inner]
        if first < 0:
            parts.insert(0, self._turned(self._again(inner, top, 0, -first)))
        if last > self._height:
            beyond = 2 * self._height - last
            parts.append(self._turned(self._again(inner, top, beyond, self._height)))
        return np.concatenate(parts) if len(parts) > 1 else inner

    def _again(self, inner: NDArray[Any], top: int, first: int, last: int) -> NDArray[Any]:
        """Rows near a pole, most often among those that are held."""
        if top <= first and last <= top + len(inner):
            return inner[first - top : last - top]
        return np.array(self._read(first, last))

    def _turned(self, rows: NDArray[Any]) -> NDArray[Any]:
        return np.roll(rows[::-1], self._half, axis=1)

    def _inner(self, top: int, bottom: int) -> NDArray[Any]:
        held, at = self._held, self._first
        end = at + (0 if held is None else len(held))
        if held is not None and at <= top < end <= bottom:
            fresh = [self._read(end, bottom)] if bottom > end else []
            self._held = np.concatenate([held[top - at :], *fresh])
        else:
            self._held = np.array(self._read(top, bottom))
        self._first = top
        return self._held


class Merger:
    """The rows of a bracket as one frame's.

    Parameters
    ----------
    exposures : sequence of Exposure
        At least one; the reference among them has a time of 1 and is still.
    read : sequence of callable
        For each, how its rows are read: float or whole numbers of shape (n, width, 3).
    width : int
        Of all of them.
    start : int
        Column of the files that becomes column 0.
    moved : sequence of Moved
        Places for which the exposures of one moment are used.
    """

    def __init__(
        self,
        exposures: Sequence[Exposure],
        read: Sequence[ReadRows],
        width: int,
        start: int,
        moved: Sequence[Moved] = (),
    ) -> None:
        order = sorted(range(len(exposures)), key=lambda i: -float(np.mean(exposures[i].facts()[:, 2])))
        self._exposures = [exposures[i] for i in order]
        self._windows = [RowWindow(read[i], width) for i in order]
        self._facts = facts_of(self._exposures)
        self._width, self._height, self._start = width, width // 2, start
        self._levels = np.ascontiguousarray(self._facts[:, :, :2])
        self._places = [
            None if one.motion.is_still(width) else _Places(one.motion, width) for one in self._exposures
        ]
        self._samples, self._bottom = np.empty((len(order), 0, width, 3), np.float32), 0
        self._shares = np.empty((len(order), 0, width), np.float32)
        self._part, self._joined_top = np.empty((0, width, 3), np.float32), -1
        self._moments = [
            OneMoment(place, sorted(order.index(one) for one in place.moment), width) for place in moved
        ]

    def rows(self, first: int, last: int) -> Picture:
        """Rows `first` to `last`, light that is 1 at the reference's white, shape (n, width, 3), float32."""
        out = np.empty((last - first, self._width, 3), np.float32)
        at_once = max(_FEWEST_ROWS, _PIXELS // self._width)
        for top in range(first // at_once * at_once, last, at_once):
            bottom = min(top + at_once, self._height)
            if self._joined_top != top:
                self._joined_top = -1  # should reading fail
                self._part, self._joined_top = self._joined(top, bottom), top
            here = slice(max(first, top), min(last, bottom))
            out[here.start - first : here.stop - first] = self._part[here.start - top : here.stop - top]
        return out

    def _joined(self, first: int, last: int) -> Picture:
        count = last - first
        self._lay_all(first - _NEAR, last + _NEAR)
        near, faded = np.zeros((len(self._windows), count, self._width), np.float32), self._faded()
        for number in np.flatnonzero(faded).tolist():
            near[number] = highest_near(self._shares[number])[_NEAR:-_NEAR]
        samples, out = self._samples, np.empty((count, 3 * self._width), np.float32)
        merge(samples.reshape(*samples.shape[:2], -1), near, faded, self._facts, out)
        joined = out.reshape(count, self._width, 3)
        for moment in self._moments:
            moment.put(joined, first, samples[:, _NEAR : count + _NEAR], near, faded, self._facts)
        return joined

    def _lay_all(self, top: int, bottom: int) -> None:
        """Lay rows of all exposures; the last ones before, which are wanted again, are moved up."""
        kept, before = 2 * _NEAR if self._bottom == top + 2 * _NEAR else 0, self._samples.shape[1]
        self._bottom = 0  # should reading fail
        shape = (len(self._windows), bottom - top, self._width)
        samples, shares = self._samples, self._shares
        if before != bottom - top:
            self._samples, self._shares = np.empty((*shape, 3), np.float32), np.empty(shape, np.float32)
        for new, old in ((self._samples, samples), (self._shares, shares)):
            new[:, :kept] = old[:, before - kept : before]
        for number in range(len(self._windows)):
            laid = self._samples[number, kept:]
            self._lay(number, top + kept, bottom, laid)
            flat = laid.reshape(len(laid), -1)
            highest_share(flat, self._levels[number], self._shares[number, kept:])
        self._bottom = bottom

    def _faded(self) -> NDArray[np.uint8]:
        """Whether some sample of an exposure is so near saturation that it loses weight."""
        return np.array([share.max() > NEAR_FROM for share in self._shares], np.uint8)

    def _lay(self, number: int, first: int, last: int, out: Picture) -> None:
        """Rows of one exposure as they lie on the reference."""
        window, places_of = self._windows[number], self._places[number]
        if places_of is None:
            rows = window.rows(first, last)
            out[:, : self._width - self._start] = rows[:, self._start :]
            out[:, self._width - self._start :] = rows[:, : self._start]
            return
        places = places_of.rows(first, last)
        top = max(int(np.floor(places[..., 0].min())) - REACH, -self._height)
        bottom = min(int(np.ceil(places[..., 0].max())) + REACH + 1, 2 * self._height)
        rows = window.rows(top, bottom)
        warp(np.ascontiguousarray(rows), top, places, self._start, out)


class _Places:
    """Where pixels lie in an exposure; away from the poles on a line between every so many rows."""

    def __init__(self, motion: Motion, width: int) -> None:
        self._motion, self._width, self._height = motion, width, width // 2
        self._nodes = nodes_of(width)
        self._edge = -(-int(_NEAR_POLE * self._height) // _ROW_STEP) * _ROW_STEP
        self._begin = float(self._column_row(self._nodes[:1], np.array([self._height // 2]))[0][0, 0])
        self._first, self._told = 0, np.empty((0, len(self._nodes), 2), np.float32)

    def rows(self, first: int, last: int) -> Picture:
        """Row and column of each node of rows `first` to `last`, shape (n, nodes, 2)."""
        low = min(max(self._edge, first), last)
        high = max(min(self._height - self._edge, last), low)
        parts = [self._of(np.arange(first, low))] if first < low else []
        if low < high:
            parts.append(self._between(low, high))
        if high < last:
            parts.append(self._of(np.arange(high, last)))
        return np.concatenate(parts)

    def _between(self, first: int, last: int) -> Picture:
        """Rows on lines between those that are told, which are found for many at once."""
        rows = np.arange(first, last)
        begin, end = first // _ROW_STEP, (last - 1) // _ROW_STEP + 2
        if begin < self._first or end > self._first + len(self._told):
            self._first = begin
            until = min(max(end, begin + _TOLD_AT_ONCE), self._height // _ROW_STEP + 1)
            self._told = self._of(np.arange(begin, until) * _ROW_STEP)
        above = rows // _ROW_STEP - self._first
        share = ((rows % _ROW_STEP) / _ROW_STEP).astype(np.float32)[:, None, None]
        return np.asarray(self._told[above] + (self._told[above + 1] - self._told[above]) * share, np.float32)

    def _of(self, rows: NDArray[np.int_]) -> Picture:
        beyond = (rows < 0) | (rows >= self._height)
        inside = np.where(
            rows < 0, -1 - rows, np.where(rows >= self._height, 2 * self._height - 1 - rows, rows)
        )
        columns = self._nodes[None] + np.where(beyond, self._height, 0)[:, None]
        column, row = self._column_row(columns, inside)
        column = np.unwrap(column, axis=1, period=self._width)
        # One turn of a row may begin on either side of the cut; rows beside each other must not differ by it.
        column -= self._width * np.round((column[:, :1] - self._begin) / self._width)
        return np.stack([row, column], axis=-1).astype(np.float32)

    def _column_row(self, columns: NDArray[np.int_], rows: NDArray[np.int_]) -> tuple[Floats, Floats]:
        yaw, pitch = yaw_of_column(columns, self._width), pitch_of_row(rows, self._height)[:, None]
        return self._motion.places(yaw, pitch, self._width)


class OneMoment:
    """A place of the full frame for which the exposures of one moment are used; its border is hidden.

    Where all of these are cut off, the others stay.
    """

    def __init__(self, place: Moved, exposures: list[int], width: int) -> None:
        self._exposures = exposures
        self._alpha, self._top, self._left = place.alpha()
        self._per_pixel, self._width = place.width / width, width
        self._first = int(np.floor(self._top / self._per_pixel))
        self._last = int(np.ceil((self._top + len(self._alpha)) / self._per_pixel))

    def put(
        self,
        joined: Picture,
        first: int,
        samples: Picture,
        near: Picture,
        faded: NDArray[np.uint8],
        facts: Picture,
    ) -> None:
        """Put it into joined rows from `first` on."""
        low, high = max(self._first, first), min(self._last, first + len(joined))
        if low >= high:
            return
        begin = int(np.floor(self._left / self._per_pixel))
        count = min(int(np.ceil(self._alpha.shape[1] / self._per_pixel)) + 1, self._width)
        columns = np.arange(begin, begin + count)
        alpha = self._at(np.arange(low, high), columns)
        rows, where = slice(low - first, high - first), columns % self._width
        one, top = self._of_one_moment(samples[:, rows], near[:, rows], faded, facts, where)
        kept = np.clip((NEAR_TO - top) / (NEAR_TO - NEAR_FROM), 0, 1)
        here = joined[rows][:, where]
        joined[rows, where] = here + (alpha * kept)[..., None].astype(np.float32) * (one - here)

    def _of_one_moment(
        self,
        samples: Picture,
        near: Picture,
        faded: NDArray[np.uint8],
        facts: Picture,
        where: NDArray[np.int_],
    ) -> tuple[Picture, Picture]:
        """Light at some columns, and the highest share of saturation near, in the shortest exposure."""
        which = self._exposures
        flat = (len(which), samples.shape[1], 3 * len(where))
        some = np.ascontiguousarray(samples[which][:, :, where]).reshape(flat)
        beside = np.ascontiguousarray(near[which][:, :, where])
        out = np.empty(flat[1:], np.float32)
        merge(some, beside, np.ascontiguousarray(faded[which]), np.ascontiguousarray(facts[which]), out)
        return out.reshape(samples.shape[1], len(where), 3), beside[-1]

    def _at(self, rows: NDArray[np.int_], columns: NDArray[np.int_]) -> Picture:
        """How far the exposure is used at pixels of the full frame; linear between those of the small one."""
        y = np.clip((rows + 0.5) * self._per_pixel - 0.5 - self._top, 0, len(self._alpha) - 1)
        x = np.clip((columns + 0.5) * self._per_pixel - 0.5 - self._left, 0, self._alpha.shape[1] - 1)
        right, down = np.meshgrid(x.astype(np.float32), y.astype(np.float32))
        return np.asarray(cv2.remap(self._alpha, right, down, cv2.INTER_LINEAR), np.float32)


def highest_near(shares: Picture) -> Picture:
    """Highest share within reach of a kernel; a row goes on at its other end."""
    wide = np.concatenate([shares[:, -_NEAR:], shares, shares[:, :_NEAR]], axis=1)
    kernel = np.ones((2 * _NEAR + 1, 2 * _NEAR + 1), np.uint8)
    return np.asarray(cv2.dilate(wide, kernel)[:, _NEAR:-_NEAR], np.float32)
