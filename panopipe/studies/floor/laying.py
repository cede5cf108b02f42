"""The rule by which boards are laid, and the butts that it puts where nothing of them shows.

Many floors are laid by a rule: butts of every second or third board in line, or each a third of a length on.
Moved some boards aside and some way along, butts of such a floor fall on butts. A move that all in sight
obey, and that puts none where a whole board is seen, tells of hidden ones too.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.studies.floor.boards import STEP_PX, Board, Boards, Butt, board_in
from panopipe.studies.floor.scene import Scene

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]
Float = NDArray[np.float64]
Whole = NDArray[np.int64]

_MOST_ASIDE = 4
"""Boards after which a rule may begin anew: laying by halves, thirds or quarters is usual."""
_IN_LINE = 0.1
"""How well butts keep to a rule, in widths of a board: a centimetre and a half of most."""
_FEWEST, _FEWEST_IN_LINE, _OBEYED = 4, 2, 0.85
"""How often butts must obey a rule, with the pair that told it, and where it only says that they are in line;
and the share that must. By chance one in fifty would, with boards ten times as long as wide."""
_LOOKED_AT = 0.6
"""Share of a board's breadth that must be seen to say that it has no butt."""
_GAP_OFF = 0.12
"""How far a gap may lie from where even boards put it, in widths of a board."""
_SHOWS = 0.3
"""Share of a gap's contrast that the mean along a whole view shows of it, for directions are not exact."""
_LINES = 14
"""Places across a board that are enough to see a butt."""
_APART = 3.0
"""How far from one butt no other is, in what a rule leaves open."""
_MATTERS = 7
"""How far from the hole a rule's places matter, in what it leaves open: those alike, and alike to them."""
_HIDDEN = 0.25
"""Share of a board's breadth that must lie in the hole where a butt is drawn of which nothing shows."""


@dataclass(frozen=True, slots=True)
class _Rule:
    """A move under which butts fall on butts: boards aside, pixels along; and how often they do."""

    aside: int
    along: float
    obeyed: int


@dataclass(frozen=True, slots=True, eq=False)
class _Laid:
    """Boards of one width in a view, by their number, and what of their butts is seen.

    Attributes
    ----------
    boards : sequence of Board
    numbers, along : ndarray of shape (n,)
        Of each butt: its board's number, and how far along it lies.
    seen : ndarray of shape (boards, places), dtype bool
        Where a butt would be seen, and a little around.
    room : float
        How well butts keep to a rule, in pixels.
    """

    boards: Sequence[Board]
    numbers: Whole
    along: Float
    seen: Mask
    room: float

    def looked_at(self, numbers: Whole, along: Float) -> Mask:
        """Whether boards are seen at some places."""
        places = np.rint((along - self.boards[0].along[0]) / STEP_PX).astype(np.int64)
        inside: Mask = (numbers >= 0) & (numbers < self.seen.shape[0]) & (places >= 0)
        inside &= places < self.seen.shape[1]
        inside[inside] = self.seen[numbers[inside], places[inside]]
        return inside

    def off(self, numbers: Whole, along: Float) -> Float:
        """How far the nearest butt of each board lies from a place on it."""
        apart = np.where(self.numbers == numbers[:, None], self.along - along[:, None], np.inf)
        return np.asarray(apart[np.arange(len(apart)), np.abs(apart).argmin(1)], np.float64)

    def tried(self, aside: int, along: float) -> _Rule | None:
        """A move as a rule, if enough butts obey it, and nearly all that could."""
        signs = np.repeat([1, -1], len(self.numbers))
        there = np.tile(self.numbers, 2) + signs * aside, np.tile(self.along, 2) + signs * along
        off = self.off(*there)
        obey = np.abs(off) <= self.room
        obeyed = int(obey.sum()) // 2
        missed = int((self.looked_at(*there) & ~obey).sum())
        fewest = _FEWEST_IN_LINE if abs(along) <= self.room else _FEWEST
        if obeyed < fewest or 2 * obeyed < _OBEYED * (2 * obeyed + missed):
            return None
        return _Rule(aside, along + float((signs * off)[obey].mean()), obeyed)

    def rules(self) -> list[_Rule]:
        """What moves the floor obeys, the most often obeyed first."""
        found, tried = list[_Rule](), set[tuple[int, int]]()
        apart = self.numbers - self.numbers[:, None]
        for one, other in np.argwhere((apart >= 0) & (apart <= _MOST_ASIDE)).tolist():
            aside, along = int(apart[one, other]), float(self.along[other] - self.along[one])
            move = aside, round(along / self.room)
            if move not in tried and (aside > 0 or along > self.room):
                tried.add(move)
                rule = self.tried(aside, along)
                found += [] if rule is None else [rule]
        return sorted(found, key=lambda rule: -rule.obeyed)

    def foretold(self, rule: _Rule, near: Mask) -> list[tuple[int, float, int]]:
        """Where a rule puts butts that are not seen: board, place along it, and a butt that tells so."""
        found = list[tuple[int, list[tuple[float, int]]]]()
        by_board: dict[int, list[list[tuple[float, int]]]] = {}
        for times in (1, -1, 2, -2):
            there = self.numbers + times * rule.aside, self.along + times * rule.along
            inside = (there[0] >= 0) & (there[0] < len(self.boards)) & ~self.looked_at(*there)
            places = np.floor((there[1] - self.boards[0].along[0]) / self.room).astype(np.int64)
            inside &= (places >= 0) & (places < near.shape[1])
            inside[inside] = near[there[0][inside], places[inside]]
            for teller in np.flatnonzero(inside & (np.abs(self.off(*there)) > _APART * self.room)).tolist():
                number, along = int(there[0][teller]), float(there[1][teller])
                own = by_board.setdefault(number, [])
                told = next((told for told in own if abs(told[0][0] - along) < self.room), None)
                if told is None:
                    told = list[tuple[float, int]]()
                    own.append(told)
                    found.append((number, told))
                told.append((along, teller))
        return [(number, float(np.mean([along for along, _ in told])), told[0][1]) for number, told in found]

    def near(self, hidden: Mask) -> Mask:
        """Which parts of each board, as long as there is room, lie in a mask or so near that it matters."""
        every = self.room / STEP_PX
        at = np.rint(np.arange(0, len(self.boards[0].along), every)).astype(np.int64)
        at = at[at < len(self.boards[0].along)]
        reached = [_lies_in(board, at, hidden).any(0) for board in self.boards]
        kernel = np.ones((1, 2 * _MATTERS + 1), np.uint8)
        return np.asarray(cv2.dilate(np.array(reached).astype(np.uint8), kernel) > 0, np.bool_)


def hidden_butts(
    scene: Scene, seen: Picture, sure: Picture, boards: Boards, known: Sequence[Butt], factor: int
) -> list[Butt]:
    """Butts of which nothing shows, where the rule of the floor's laying puts them.

    Parameters
    ----------
    scene : Scene
        The floor at full size.
    seen : ndarray of shape (h, w, channels), dtype float32
        Its detail as the frame shows it.
    sure : ndarray of shape (h, w), dtype float32
        1 where that is floor, if in shade.
    boards : Boards
    known : sequence of Butt
        Those that show in part.
    factor : int
        Pixels of the coarse grid's blocks.

    Returns
    -------
    list of Butt
    """
    floor = _own_floor(scene, boards)
    sure = sure * (floor & (scene.known | scene.hole))
    laid = _laid(seen, sure, boards, _even_gaps(seen, sure, boards, factor), factor)
    if laid is None:
        return []
    taken = [(sum(butt.breadth) / 2, butt.along) for butt in known]
    found, hidden = list[Butt](), scene.hole & floor
    near_hole = laid.near(hidden)
    for rule in laid.rules():
        for number, along, teller in laid.foretold(rule, near_hole):
            board, source = laid.boards[number], laid.boards[int(laid.numbers[teller])]
            low, high = board.breadth
            near = [abs(at - along) for aside, at in taken if low < aside < high]
            place = _place(board, along, hidden)
            if place is None or min(near, default=math.inf) < _APART * laid.room:
                continue
            taken.append((sum(board.breadth) / 2, along))
            # A profile is about a place on the grid of its board, which is near the butt's middle.
            at = _index(source, float(laid.along[teller]))
            off = float(laid.along[teller] - source.along[at])
            found.append(Butt(board.breadth, along - off, place, source.profile(at, factor)))
    return found


def _own_floor(scene: Scene, boards: Boards) -> Mask:
    """Where the floor of the boards lies: on their side of an edge."""
    if scene.sides is None:
        return np.ones_like(scene.hole)
    distance, (low, high) = scene.sides.distance, scene.sides.strip_px
    last = np.array(distance.shape) - 1
    rows, columns = np.rint(boards.ends.reshape(-1, 2)).astype(np.int64).clip(0, last).T
    return np.asarray(distance > high if distance[rows, columns].sum() > 0 else distance < low, np.bool_)


def _even_gaps(seen: Picture, sure: Picture, boards: Boards, factor: int) -> Float:
    """Gaps all over a view, as far as boards of one width go on; none where widths differ."""
    usual = boards.usual_px
    numbers = np.rint((boards.gaps - boards.gaps[0]) / usual)
    usual, first = np.polyfit(numbers, boards.gaps, 1)
    if np.abs(boards.gaps - first - usual * numbers).max() > _GAP_OFF * usual:
        return np.zeros(0)
    # A mean along a whole view needs not every pixel.
    places, light = _across(seen, sure > 0.5, boards, max(1, factor // 2))
    depth = light * np.sign(boards.contrast)
    depth = depth - cv2.GaussianBlur(depth[None], (0, 0), usual, borderType=cv2.BORDER_REFLECT)[0]
    gaps = dict(zip(numbers.tolist(), boards.gaps.tolist(), strict=True))
    for step in (1, -1):
        number = max(gaps) if step > 0 else min(gaps)
        while True:
            number += step
            usual, first = np.polyfit(list(gaps), list(gaps.values()), 1)
            near = np.abs(places - first - usual * number) <= _GAP_OFF * usual
            if not near.any() or depth[near].max() < _SHOWS * abs(boards.contrast):
                break
            gaps[number] = float(places[near][depth[near].argmax()])
    return np.asarray(first + usual * np.arange(min(gaps), max(gaps) + 1), np.float64)


def _across(seen: Picture, sure: Mask, boards: Boards, every: int) -> tuple[Float, Float]:
    """Mean light of a view, from some of its pixels, by how far aside it lies, half a pixel apart."""
    rows, columns = (every * place for place in np.nonzero(sure[::every, ::every]))
    aside = boards.reckoned(rows, columns)[1]
    first = float(aside.min()) if aside.size else 0.0
    at = np.rint((aside - first) / STEP_PX).astype(np.int64)
    count = np.bincount(at)
    light = np.bincount(at, seen[rows, columns].mean(-1)) / np.maximum(count, 1)
    places = first + STEP_PX * np.arange(len(count))
    return np.asarray(places, np.float64), np.asarray(light, np.float64)


def _laid(seen: Picture, sure: Picture, boards: Boards, gaps: Float, factor: int) -> _Laid | None:
    """Look at all boards of a view."""
    height, width = sure.shape
    corners = boards.reckoned(np.array([0, 0, height, height]), np.array([0, width, 0, width]))[0]
    along = np.arange(corners.min(), corners.max(), STEP_PX)
    every = max(1.0, boards.usual_px / _LINES)
    found = [
        board_in(seen, sure, boards, breadth, along, factor, every_px=every) for breadth in pairwise(gaps)
    ]
    laid = [board for board in found if board is not None]
    if not laid or len(laid) < len(found):
        return None
    butts = [
        (number, board.middle(at)) for number, board in enumerate(laid) for at in board.lines(boards.contrast)
    ]
    numbers, places = np.array(butts, np.float64).reshape(-1, 2).T
    room = _IN_LINE * boards.usual_px
    seen_at = np.array([board.looked_at(_LOOKED_AT) for board in laid]).astype(np.uint8)
    near = np.ones((1, 2 * math.ceil(room / STEP_PX) + 1), np.uint8)
    seen_at = cv2.erode(seen_at, near, borderType=cv2.BORDER_CONSTANT, borderValue=0)
    return _Laid(laid, numbers.astype(np.int64), places, seen_at.astype(bool), room)


def _index(board: Board, along: float) -> int:
    return round((along - float(board.along[0])) / STEP_PX)


def _place(board: Board, along: float, hidden: Mask) -> Float | None:
    """Row and column in the hole of a butt, if enough of it lies there."""
    at = _index(board, along)
    if not 0 <= at < len(board.along):
        return None
    inside = _lies_in(board, at, hidden)
    if inside.mean() < _HIDDEN:
        return None
    middle = int(np.flatnonzero(inside)[inside.sum() // 2])
    return np.rint(np.array([board.rows[middle, at], board.columns[middle, at]], np.float64))


def _lies_in(board: Board, at: int | Whole, mask: Mask) -> Mask:
    """Which places across a board, at some along it, lie in a mask."""
    rows, columns = (np.rint(part[:, at]).astype(np.int64) for part in (board.rows, board.columns))
    inside = np.asarray(
        (rows >= 0) & (columns >= 0) & (rows < mask.shape[0]) & (columns < mask.shape[1]), np.bool_
    )
    inside[inside] = mask[rows[inside], columns[inside]]
    return inside
