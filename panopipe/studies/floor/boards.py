"""Boards of a floor: where their gaps lie, and each board straightened, to look for butts across it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.studies.floor.joints import Course

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]
Float = NDArray[np.float64]
Whole = NDArray[np.int64]

_PARALLEL_DEG, _ALIKE_WIDE = 4.0, 0.3
"""How well gaps between boards agree in direction, and boards in width, as a share of the usual."""
STEP_PX = 0.5
"""Distance of places along a board, at full size."""
_ASIDE, _REACH = 2.5, 4.0
"""How far from a butt the board on either side is compared, and its profile reaches, in pixels of the coarse
grid."""
_SHOWN, _FEWEST_PX = 0.15, 4
"""Share of a board's breadth on which a butt must show, and pixels."""
AS_STRONG, _EVEN = (0.6, 2.0), 0.35
"""Contrast of a butt as a share of that of the gaps, at least and at most, for shadows differ; and of its
median, that four fifths of it must have."""
_BESIDE_GAP = 0.1
"""Part of a board's breadth beside a gap that tells nothing of a butt."""


@dataclass(frozen=True, slots=True)
class Boards:
    """Parallel gaps between boards.

    Attributes
    ----------
    way : ndarray of shape (2,), dtype float64
        Their direction, (down, across).
    gaps : ndarray of shape (n,), dtype float64
        How far aside of that they lie.
    contrast : float
        How much lighter, or darker, than boards they are.
    ends, crossing : ndarray of shape (k, 2, 2), dtype float64
        Ends of the gaps, and of joints in other directions: (row, column).
    """

    way: Float
    gaps: Float
    contrast: float
    ends: Float
    crossing: Float

    @property
    def usual_px(self) -> float:
        """Width of most boards."""
        return float(np.median(np.diff(self.gaps)))

    def breadths(self) -> list[tuple[float, float]]:
        """Between which distances aside each board lies; the outermost are held to be as wide as others."""
        usual = self.usual_px
        ends = [self.gaps[0] - usual, *self.gaps, self.gaps[-1] + usual]
        return [(low, high) for low, high in pairwise(ends) if abs(high - low - usual) <= _ALIKE_WIDE * usual]

    def crossed(self, aside: float) -> Float:
        """Where along the way other joints cross, that far aside."""
        along = self.crossing @ self.way
        off = self.crossing @ np.array([self.way[1], -self.way[0]])
        share = (aside - off[:, 0]) / np.where(off[:, 1] == off[:, 0], np.inf, off[:, 1] - off[:, 0])
        return np.asarray(along[:, 0] + share * (along[:, 1] - along[:, 0]), np.float64)

    def places(self, along: Float, aside: Float) -> tuple[Picture, Picture]:
        """Rows and columns of places, (aside, along)."""
        rows = along[None, :] * self.way[0] + aside[:, None] * self.way[1]
        columns = along[None, :] * self.way[1] - aside[:, None] * self.way[0]
        return rows.astype(np.float32), columns.astype(np.float32)

    def reckoned(self, rows: Float | Whole, columns: Float | Whole) -> tuple[Float, Float]:
        """How far along and aside places lie."""
        return (
            rows * self.way[0] + columns * self.way[1],
            rows * self.way[1] - columns * self.way[0],
        )


def boards_of(courses: Sequence[Course], factor: int) -> Boards | None:
    """The largest family of parallel gaps of one kind among joints, if there is one.

    Parameters
    ----------
    courses : sequence of Course
        Where joints run, on the coarse grid.
    factor : int
        Pixels of that grid's blocks.
    """
    ends = np.array([(*each.start, *each.end) for each in courses], np.float64).reshape(-1, 2, 2)
    ends = (ends + 0.5) * factor - 0.5
    ways = ends[:, 1] - ends[:, 0]
    length = np.hypot(*ways.T)
    angle = np.arctan2(ways[:, 0], ways[:, 1])
    contrast = np.array([each.contrast for each in courses])
    apart = np.abs((angle[:, None] - angle + np.pi / 2) % np.pi - np.pi / 2) < math.radians(_PARALLEL_DEG)
    like = apart & (contrast[:, None] * contrast > 0)
    together = np.where(like.sum(1) >= 2, like @ length, 0)
    if not together.any():
        return None
    own = like[int(together.argmax())]
    # Of the longest the direction is surest.
    first = ways[own][int(length[own].argmax())]
    way = ways[own] * np.sign(ways[own] @ first)[:, None]
    way = way.sum(0) / np.hypot(*way.sum(0))
    middle = ends[own].mean(1)
    aside = np.sort(middle[:, 0] * way[1] - middle[:, 1] * way[0])
    return Boards(way, aside, float(np.median(contrast[own])), ends[own], ends[~own])


@dataclass(frozen=True, slots=True, eq=False)
class Butt:
    """A butt of a board.

    Attributes
    ----------
    breadth : tuple of float
        Between which distances aside its board lies.
    along : float
        How far along the boards it lies.
    place : ndarray of shape (2,), dtype float64
        Row and column of one place on it.
    profile : ndarray of shape (n, channels), dtype float32
        What it looks like across.
    """

    breadth: tuple[float, float]
    along: float
    place: Float
    profile: Picture


@dataclass(frozen=True, slots=True, eq=False)
class Board:
    """One board, straightened: pictures are (aside, along).

    Attributes
    ----------
    breadth : tuple of float
        Between which distances aside it lies.
    along : ndarray of shape (n,), dtype float64
        Places along it.
    rows, columns : ndarray of shape (m, n), dtype float32
        Where in the view its places lie.
    picture : ndarray of shape (m, n, channels), dtype float32
    clear : ndarray of shape (m, n), dtype bool
        Where a butt would surely be seen.
    contrast : ndarray of shape (n,), dtype float64
        Contrast of what runs across there, as a line does; 0 where nothing does.
    reach : int
        Places between a butt and the board that it is compared with.
    """

    breadth: tuple[float, float]
    along: Float
    rows: Picture
    columns: Picture
    picture: Picture
    clear: Mask
    contrast: Float
    reach: int

    def looked_at(self, share: float) -> Mask:
        """Where a butt would be seen on that share of the board's breadth."""
        return np.asarray(self.clear.mean(0) >= share, np.bool_)

    def lines(self, contrast: float, where: Mask | None = None) -> list[int]:
        """Places that show a line about as strong as gaps of some contrast are, the strongest first."""
        left = self.contrast.copy() if where is None else np.where(where, self.contrast, 0)
        found = list[int]()
        while left.max() > 0:
            best = int(left.argmax())
            if left[best] < AS_STRONG[1] * abs(contrast):
                found.append(best)
            left[max(0, best - 2 * self.reach) : best + 2 * self.reach + 1] = 0
        return found

    def middle(self, at: int) -> float:
        """How far along a line lies that is strongest at some place."""
        near = slice(max(0, at - self.reach), at + self.reach + 1)
        weight = np.where(self.contrast[near] > 0.5 * self.contrast[at], self.contrast[near], 0)
        return float((weight * self.along[near]).sum() / weight.sum())

    def profile(self, at: int, factor: int) -> Picture:
        """Median profile across a butt, less what lies evenly between its two sides: (places, channels)."""
        reach = round(_REACH * factor / STEP_PX)
        places = np.clip(np.arange(at - reach, at + reach + 1), 0, len(self.along) - 1)
        profile = np.median(self.picture[self.clear[:, at]][:, places], axis=0)
        side = max(2, reach // 4)
        share = np.linspace(0, 1, len(places))[:, None]
        even = profile[:side].mean(0) * (1 - share) + profile[-side:].mean(0) * share
        taper = np.clip(3 * (1 - np.abs(2 * share - 1)), 0, 1)
        return np.asarray((profile - even) * taper, np.float32)


def board_in(
    seen: Picture,
    sure: Picture,
    boards: Boards,
    breadth: tuple[float, float],
    along: Float,
    factor: int,
    *,
    every_px: float = 1.0,
) -> Board | None:
    """Straighten one board of a view.

    Parameters
    ----------
    seen : ndarray of shape (h, w, channels), dtype float32
        Detail of the floor.
    sure : ndarray of shape (h, w), dtype float32
        1 where that is floor.
    boards : Boards
    breadth : tuple of float
        Between which distances aside the board lies.
    along : ndarray of shape (n,), dtype float64
        Places along it, evenly spaced.
    factor : int
        Pixels of the coarse grid's blocks.
    every_px : float
        Distance of places across the board.

    Returns
    -------
    Board or None
        None where it is too short or too narrow to tell anything.
    """
    edge = _BESIDE_GAP * (breadth[1] - breadth[0])
    aside = np.arange(breadth[0] + edge, breadth[1] - edge, every_px)
    if len(along) < 2 or len(aside) < _FEWEST_PX:
        return None
    rows, columns = boards.places(along, aside)
    picture, known = (
        cv2.remap(part, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
        for part in (seen, sure)
    )
    reach = round(_ASIDE * factor / STEP_PX)
    darker, clear = _darker(picture.mean(-1) * np.sign(boards.contrast), known, reach)
    contrast = _contrast(darker, clear, abs(boards.contrast))
    # Joints that run through are drawn as such.
    for place in boards.crossed(sum(breadth) / 2):
        contrast[np.abs(along - place) < _REACH * factor] = 0
    return Board(breadth, along, rows, columns, picture, clear, contrast, reach)


def _darker(luma: Picture, known: Picture, reach: int) -> tuple[Picture, Mask]:
    """How far places stand out of both sides of them along a board, and where that is surely seen."""
    steps = (reach, -reach)
    darker = np.minimum(*(luma - np.roll(luma, step, 1) for step in steps))
    clear = np.all([np.roll(known, step, 1) > 0.99 for step in (0, *steps)], axis=0)
    clear[:, :reach] = clear[:, -reach:] = False
    return darker, np.asarray(clear, np.bool_)


def _contrast(darker: Picture, clear: Mask, usual: float) -> Float:
    """Contrast of each place along a board, where most of what is seen across it is a line."""
    contrast = np.zeros(darker.shape[1])
    count = clear.sum(0)
    enough = count >= max(_FEWEST_PX, _SHOWN * len(darker))
    if enough.any():
        seen = np.sort(np.where(clear[:, enough], darker[:, enough], np.inf), axis=0)
        middle, least = (_share_of(seen, count[enough], share) for share in (0.5, 0.2))
        line = (middle > AS_STRONG[0] * usual) & (least > _EVEN * middle)
        contrast[enough] = np.where(line, middle, 0)
    return contrast


def _share_of(ordered: Picture, count: Whole, share: float) -> Float:
    """Value below which a share of the first `count` of each column lies."""
    at = share * (count - 1)
    low = at.astype(np.int64)
    high = np.minimum(low + 1, count - 1)
    columns = np.arange(ordered.shape[1])
    below, above = ordered[low, columns], ordered[high, columns]
    return np.asarray(below + (at - low) * (above - below), np.float64)
