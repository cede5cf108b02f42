"""Butts of boards that a hole hides in part, drawn whole.

A butt runs straight across one board, from one gap to the next. Enough of it shows beside the foot, in the
foot's shade too, which is rebuilt with it: where it lies, and what it looks like across.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.studies.floor.draw_joints import on_its_side
from panopipe.studies.floor.joints import Course
from panopipe.studies.floor.scene import Scene

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]
Float = NDArray[np.float64]
Whole = NDArray[np.int64]

_PARALLEL_DEG, _ALIKE_WIDE = 4.0, 0.3
"""How well gaps between boards agree in direction, and boards in width, as a share of the usual."""
_STEP_PX = 0.5
"""Distance of places along a board, at full size."""
_ASIDE, _REACH = 2.5, 4.0
"""How far from a butt the board on either side is compared, and its profile reaches, in pixels of the coarse
grid."""
_SHOWN, _FEWEST_PX = 0.15, 4
"""Share of a board's breadth on which a butt must show, and pixels."""
_AS_STRONG, _EVEN = (0.6, 2.0), 0.35
"""Contrast of a butt as a share of that of the gaps, at least and at most, for shadows differ; and of its
median, that four fifths of it must have."""
_BESIDE_GAP = 0.1
"""Part of a board's breadth beside a gap that tells nothing of a butt."""


@dataclass(frozen=True, slots=True)
class _Boards:
    """Parallel gaps between boards.

    Attributes
    ----------
    way : ndarray of shape (2,), dtype float64
        Their direction, (down, across).
    gaps : ndarray of shape (n,), dtype float64
        How far aside of that they lie.
    contrast : float
        How much lighter, or darker, than boards they are.
    crossing : ndarray of shape (k, 2, 2), dtype float64
        Ends of joints in other directions: (row, column).
    """

    way: Float
    gaps: Float
    contrast: float
    crossing: Float

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


def with_butts(
    scene: Scene, filled: Picture, seen: Picture, shown: Mask, courses: Sequence[Course], factor: int
) -> Picture:
    """Draw butts of boards through a filled hole.

    Parameters
    ----------
    scene : Scene
        The floor at full size.
    filled : ndarray of shape (h, w, channels), dtype float32
        Its detail, with the hole filled.
    seen : ndarray of shape (h, w, channels), dtype float32
        The same as the frame shows it.
    shown : ndarray of shape (h, w), dtype bool
        Where that is floor, if in shade.
    courses : sequence of Course
        Where joints run, on the coarse grid.
    factor : int
        Pixels of that grid's blocks.

    Returns
    -------
    ndarray of shape (h, w, channels), dtype float32
    """
    boards = _boards(courses, factor)
    if boards is None:
        return filled
    sure = shown.astype(np.float32)
    found = [
        (breadth, *butt)
        for breadth in _breadths(boards.gaps)
        for butt in _butts(seen, sure, boards, breadth, scene.hole, factor)
    ]
    drawn = filled.copy() if found else filled
    for breadth, at, place, profile in found:
        side = scene.hole & on_its_side(place, place, scene)
        _draw(drawn, side, boards, breadth, at, profile)
    return drawn


def _boards(courses: Sequence[Course], factor: int) -> _Boards | None:
    """The largest family of parallel gaps of one kind, if there is one."""
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
    return _Boards(way, aside, float(np.median(contrast[own])), ends[~own])


def _breadths(gaps: Float) -> list[tuple[float, float]]:
    """Between which distances aside each board lies; the outermost are held to be as wide as the others."""
    steps = np.diff(gaps)
    usual = float(np.median(steps))
    ends = [gaps[0] - usual, *gaps, gaps[-1] + usual]
    return [(low, high) for low, high in pairwise(ends) if abs(high - low - usual) <= _ALIKE_WIDE * usual]


def _butts(
    seen: Picture, sure: Picture, boards: _Boards, breadth: tuple[float, float], hole: Mask, factor: int
) -> list[tuple[float, Float, Picture]]:
    """Where along one board butts show beside what is hidden, a (row, column) on each, and profiles."""
    along = _along(boards, hole, breadth)
    edge = _BESIDE_GAP * (breadth[1] - breadth[0])
    aside = np.arange(breadth[0] + edge, breadth[1] - edge)
    if len(along) < 2 or len(aside) < _FEWEST_PX:
        return []
    rows, columns = boards.places(along, aside)
    strip, known, hidden = (
        cv2.remap(part, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
        for part in (seen, sure, hole.astype(np.float32))
    )
    reach = round(_ASIDE * factor / _STEP_PX)
    darker, clear = _darker(strip.mean(-1) * np.sign(boards.contrast), known, reach)
    worth = np.where((hidden > 0.5).any(0), _worth(darker, clear, abs(boards.contrast)), 0)
    # Joints that run through are drawn as such.
    for place in boards.crossed(sum(breadth) / 2):
        worth[np.abs(along - place) < _REACH * factor] = 0
    found: list[tuple[float, Float, Picture]] = []
    while worth.max() > 0:
        best = int(worth.argmax())
        alike = worth[best] < _AS_STRONG[1] * abs(boards.contrast)
        worth[max(0, best - 2 * reach) : best + 2 * reach + 1] = 0
        if not alike:
            continue
        shown = np.flatnonzero(clear[:, best])
        place = np.array([part[shown[len(shown) // 2], best] for part in (rows, columns)], np.float64)
        profile = _profile(strip[shown], best, round(_REACH * factor / _STEP_PX))
        found.append((float(along[best]), place, profile))
    return found


def _darker(luma: Picture, known: Picture, reach: int) -> tuple[Picture, Mask]:
    """How far places stand out of both sides of them along a board, and where that is surely seen."""
    steps = (reach, -reach)
    darker = np.minimum(*(luma - np.roll(luma, step, 1) for step in steps))
    clear = np.all([np.roll(known, step, 1) > 0.99 for step in (0, *steps)], axis=0)
    clear[:, :reach] = clear[:, -reach:] = False
    return darker, np.asarray(clear, np.bool_)


def _worth(darker: Picture, clear: Mask, contrast: float) -> Float:
    """Contrast of each place along a board, where most of what is seen across it is a line."""
    worth = np.zeros(darker.shape[1])
    enough = clear.sum(0) >= max(_FEWEST_PX, _SHOWN * len(darker))
    if enough.any():
        seen = np.where(clear[:, enough], darker[:, enough], np.nan)
        middle, least = np.nanmedian(seen, 0), np.nanpercentile(seen, 20, 0)
        worth[enough] = np.where((middle > _AS_STRONG[0] * contrast) & (least > _EVEN * middle), middle, 0)
    return worth


def _along(boards: _Boards, hole: Mask, breadth: tuple[float, float]) -> Float:
    """Places along a board that the hole may hide, and a little beyond."""
    rows, columns = np.nonzero(hole)
    aside = rows * boards.way[1] - columns * boards.way[0]
    within = (aside > breadth[0]) & (aside < breadth[1])
    if not within.any():
        return np.zeros(0)
    along = (rows * boards.way[0] + columns * boards.way[1])[within]
    room = 4 * _FEWEST_PX
    return np.asarray(np.arange(along.min() - room, along.max() + room, _STEP_PX), np.float64)


def _profile(strip: Picture, at: int, reach: int) -> Picture:
    """Median profile across a butt, less what lies evenly between its two sides: (2 reach + 1, channels)."""
    places = np.clip(np.arange(at - reach, at + reach + 1), 0, strip.shape[1] - 1)
    profile = np.median(strip[:, places], axis=0)
    side = max(2, reach // 4)
    share = np.linspace(0, 1, len(places))[:, None]
    even = profile[:side].mean(0) * (1 - share) + profile[-side:].mean(0) * share
    taper = np.clip(3 * (1 - np.abs(2 * share - 1)), 0, 1)
    return np.asarray((profile - even) * taper, np.float32)


def _draw(
    drawn: Picture, hole: Mask, boards: _Boards, breadth: tuple[float, float], at: float, profile: Picture
) -> None:
    """Give the filled floor across a board the profile of a butt, in place, unless it shows one."""
    rows, columns = np.nonzero(hole)
    aside = rows * boards.way[1] - columns * boards.way[0]
    off = rows * boards.way[0] + columns * boards.way[1] - at
    reach = len(profile) // 2 * _STEP_PX
    near = (aside > breadth[0]) & (aside < breadth[1]) & (np.abs(off) < reach)
    if not near.any():
        return
    rows, columns, off = rows[near], columns[near], off[near]
    places = np.linspace(-reach, reach, len(profile))
    change = np.stack([np.interp(off, places, one) for one in profile.T], -1)
    own, light = drawn[rows, columns].mean(-1), change.mean(-1)
    dark, beside = np.abs(light) > 0.5 * np.abs(profile.mean(-1)).max(), np.abs(off) > 0.6 * reach
    if not dark.any() or not beside.any():
        return
    if (np.median(own[dark]) - np.median(own[beside])) / np.median(light[dark]) < _AS_STRONG[0]:
        drawn[rows, columns] += change.astype(np.float32)
