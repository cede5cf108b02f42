"""What the frames of a plan show, and which of them see each other.

Two frames may share a wall and still stand round a corner from each other. Every point that a frame sees
proves the way to it free, at the height of the camera as long as the ray stays near it. The rays of all
frames together draw the free floor of a house; a line of sight is believed where it stays on it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.studies.stands.matching import Ready, Told, seen_where_told
from panopipe.studies.stands.motion import turned
from panopipe.studies.stands.pair import Pair
from panopipe.studies.stands.plan import Plan

Float = NDArray[np.float64]
Index = NDArray[np.intp]

_FARTHEST = 10.0
"""Camera heights beyond which a point's place is not believed."""
_ABOVE, _BELOW = 0.2, 0.3
"""How far above and below the camera a ray counts, in camera heights: the top of a wardrobe is 0.25 above,
the head of a door 0.35."""
_SAME_PLACE = 0.25
_CELL = 0.05
_RAY_CELLS = 2
_LAYERS, _AGREE = 4, 1
"""Rays are drawn in so many groups, and so many must agree: one ray may lead to a point of wrong place."""
_MARGIN = 0.05
"""How far beside a line it must be free as well, in camera heights."""
_INSIDE_CELLS = 5
_SHORT = 0.92
"""Share of its way to a point that a ray is believed: the rest is the error of its place."""
_CONE_DEG, _PITCH_DEG, _PAST, _FRONT = 5.0, 24.0, 1.08, 0.85


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """Points of known place that a frame sees.

    Attributes
    ----------
    index : ndarray of shape (n,), dtype intp
        The frame's features, in rising order where others are looked up among them.
    points : ndarray of shape (n, 3), dtype float64
        Right, up and forward in the frame's axes, in camera heights.
    worth : ndarray of shape (n,), dtype float32
        What each match is worth, where that is known.
    """

    index: Index
    points: Float
    worth: NDArray[np.float32] = field(default_factory=lambda: np.zeros(0, np.float32))

    def in_plan(self, plan: Plan, frame: int) -> Float:
        """East, north and height over the camera."""
        x, y, z = turned(self.points, plan.headings_deg[frame]).T
        return np.stack([x + plan.at[frame, 0], z + plan.at[frame, 1], y], axis=1)


@dataclass(frozen=True, slots=True)
class Sight:
    """What speaks for a free line.

    Attributes
    ----------
    gap : float
        Longest stretch of the line, in camera heights, that no ray proves free.
    past : int
        Points seen from either end in the direction of the other and beyond it.

    before : int
        Points at the height of the camera that either end sees in front of the other.
    """

    gap: float
    past: int
    before: int


def known_points(count: int, links: Iterable[Pair], plan: Plan) -> list[Known]:
    """Points that each frame sees, from the links."""
    index: dict[int, list[Index]] = defaultdict(list)
    points: dict[int, list[Float]] = defaultdict(list)
    for link in links:
        length = float(np.hypot(*(plan.at[link.second] - plan.at[link.first])))
        own = link.points * length
        back = np.radians(link.back_yaw_deg)
        other = turned(own, link.turn_deg) + length * np.array([np.sin(back), 0.0, np.cos(back)])
        for frame, side, seen in ((link.first, 0, own), (link.second, 1, other)):
            near = np.linalg.norm(seen, axis=1) < _FARTHEST
            index[frame].append(link.matched[near, side])
            points[frame].append(seen[near])
    none = Known(np.zeros(0, np.intp), np.zeros((0, 3)))
    return [
        _of_one_mind(Known(np.concatenate(index[i]), np.concatenate(points[i]))) if index[i] else none
        for i in range(count)
    ]


def _of_one_mind(known: Known) -> Known:
    """Points less those of features that other links see at another distance."""
    far = np.linalg.norm(known.points, axis=1)
    order = np.lexsort((far, known.index))
    _, start, many = np.unique(known.index[order], return_index=True, return_counts=True)
    middle = far[order][start + many // 2]
    fits = np.abs(far[order] / np.maximum(np.repeat(middle, many), 1e-6) - 1) < _SAME_PLACE
    return Known(known.index[order][fits], known.points[order][fits])


def seen_again(
    frames: Sequence[Ready], known: Sequence[Known], plan: Plan, i: int, others: Sequence[int]
) -> Known:
    """Points of other frames that frame i sees where the plan says: its features, the points in its axes."""
    shown = [known[j] for j in others]
    many = [len(one.index) for one in shown]
    east, north = (plan.at[list(others)] - plan.at[i]).T
    turn = np.radians(plan.headings_deg[list(others)] - plan.headings_deg[i])
    own = np.radians(plan.headings_deg[i])
    facts = (
        np.cos(turn),
        np.sin(turn),
        *(east * np.cos(own) - north * np.sin(own), north * np.cos(own) + east * np.sin(own)),
    )
    cosine, sine, right, ahead = (np.repeat(fact, many) for fact in facts)
    x, y, z = np.concatenate([one.points for one in shown]).T
    points = np.stack([x * cosine + z * sine + right, y, z * cosine - x * sine + ahead], axis=1)
    far = np.linalg.norm(points, axis=1)
    told = Told(
        points / np.maximum(far, 1e-6)[:, None],
        np.concatenate([frames[j].units[one.index] for j, one in zip(others, shown, strict=True)]),
        np.concatenate([frames[j].stance[one.index] for j, one in zip(others, shown, strict=True)]),
        np.repeat(np.arange(len(shown)), many),
    )
    (a, b), worth = seen_where_told(frames[i], told)
    able = _unexplained(known[i], a, far[b])
    return Known(a[able], points[b[able]], worth[able])


def _unexplained(known: Known, index: Index, far: Float) -> NDArray[np.bool_]:
    """Whether features are not known yet to show something nearer or further away."""
    if not len(known.index):
        return np.ones(len(index), bool)
    at = np.minimum(np.searchsorted(known.index, index), len(known.index) - 1)
    other = np.linalg.norm(known.points[at], axis=1)
    same = known.index[at] == index
    fits: NDArray[np.bool_] = ~same | (np.abs(other / np.maximum(far, 1e-6) - 1) < _SAME_PLACE)
    return fits


class FreeFloor:
    """The floor that rays prove free, at the height of the camera.

    Parameters
    ----------
    plan : Plan
    seen : sequence of Known
        What each frame sees.
    members : sequence of int
        Frames of one connected part.

    Attributes
    ----------
    upright : ndarray of shape (n, 2), dtype float64
        What the frames see at the height of the camera, in the plan: nobody can stand there.
    """

    def __init__(self, plan: Plan, seen: Sequence[Known], members: Sequence[int]) -> None:
        self._plan, self._seen = plan, seen
        places = plan.at[list(members)]
        self._low = places.min(axis=0) - 4.0
        size = np.ceil((places.max(axis=0) + 4.0 - self._low) / _CELL).astype(int)
        layers = [np.zeros(np.minimum(size[::-1], 8000), np.uint8) for _ in range(_LAYERS)]
        upright = [np.zeros((0, 2))]
        for frame in members:
            points = seen[frame].in_plan(plan, frame)
            upright.append(points[np.abs(points[:, 2]) < _BELOW, :2])
            for number, layer in enumerate(layers):
                self._draw(layer, plan.at[frame], points[number::_LAYERS])
        agreeing = np.sum(layers, axis=0, dtype=np.uint8) >= _AGREE
        self._free: NDArray[np.uint8] = np.asarray(agreeing, np.uint8)
        self.upright: Float = np.concatenate(upright)
        self._inner = cv2.erode(self._free, np.ones((_INSIDE_CELLS, _INSIDE_CELLS), np.uint8))

    def _draw(self, layer: NDArray[np.uint8], here: Float, points: Float) -> None:
        way = points[:, :2] - here
        level = np.where(points[:, 2] > 0, _ABOVE, _BELOW)
        share = np.minimum(_SHORT, level / np.maximum(np.abs(points[:, 2]), 1e-6))
        start = self._cell(here)
        for end in self._cell(here + way * share[:, None]):
            cv2.line(layer, tuple(map(int, start)), tuple(map(int, end)), 1, _RAY_CELLS)

    def _cell(self, places: Float) -> NDArray[np.intp]:
        cells: NDArray[np.intp] = np.floor((places - self._low) / _CELL).astype(np.intp)
        return cells

    def holds(self, places: Float) -> int:
        """How many of some places (n, 2) lie well inside it."""
        cells = self._cell(places)
        inside = ((cells >= 0) & (cells < np.array(self._free.shape[::-1]))).all(axis=1)
        column, row = cells[inside].T
        return int(self._inner[row, column].sum())

    def sight(self, i: int, j: int) -> Sight:
        """What is known of the line between two frames."""
        here, there = self._plan.at[i], self._plan.at[j]
        way = there - here
        aside = np.array([way[1], -way[0]]) / max(float(np.hypot(*way)), 1e-9)
        gap = max(self._gap(here + off * aside, there + off * aside) for off in (-_MARGIN, 0.0, _MARGIN))
        past = 0
        for frame, one, other in ((i, here, there), (j, there, here)):
            past += _past(one, other, self._seen[frame].in_plan(self._plan, frame))
        return Sight(gap, past, before(self._plan, self._seen, i, j) + before(self._plan, self._seen, j, i))

    def _gap(self, here: Float, there: Float) -> float:
        length = float(np.hypot(*(there - here)))
        steps = max(2, int(np.ceil(length / (_CELL / 2))))
        line = here + (there - here) * (np.arange(steps + 1) / steps)[:, None]
        column, row = np.clip(self._cell(line), 0, np.array(self._free.shape[::-1]) - 1).T
        free = self._free[row, column] > 0
        edges = np.flatnonzero(np.diff(np.concatenate([[1], free.astype(int), [1]])))
        return float((edges[1::2] - edges[::2]).max(initial=0)) * length / steps


def _past(here: Float, there: Float, points: Float) -> int:
    """Points that are seen towards a place and beyond it."""
    way = there - here
    length = float(np.hypot(*way))
    rays = points[:, :2] - here
    far = np.maximum(np.hypot(*rays.T), 1e-9)
    along = (rays @ way) / (far * max(length, 1e-9))
    pitch = np.degrees(np.arctan2(points[:, 2], far))
    inside = (along > np.cos(np.radians(_CONE_DEG))) & (np.abs(pitch) < _PITCH_DEG)
    return int((inside & (far > _PAST * length)).sum())


def before(plan: Plan, seen: Sequence[Known], i: int, j: int) -> int:
    """Points at the height of the camera that frame i sees in front of frame j."""
    here = plan.at[i]
    way = plan.at[j] - here
    length = float(np.hypot(*way))
    points = seen[i].in_plan(plan, i)
    rays = points[np.abs(points[:, 2]) < _ABOVE][:, :2] - here
    far = np.maximum(np.hypot(*rays.T), 1e-9)
    along = (rays @ way) / (far * max(length, 1e-9))
    inside = (along > np.cos(np.radians(_CONE_DEG / 2))) & (far < _FRONT * length)
    return int(inside.sum())
