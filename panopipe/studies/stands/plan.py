"""All frames in one plan: headings, then positions, each by robust least squares over the links.

References
----------
.. [1] A. Chatterjee, V. M. Govindu, Efficient and robust large-scale rotation averaging, ICCV 2013: L1 first,
   then reweighted least squares; in a plane a rotation is one angle.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panopipe.studies.stands.between import Way
from panopipe.studies.stands.motion import wrapped
from panopipe.studies.stands.pair import Pair, strength

Float = NDArray[np.float64]

_ROUNDS = 12
_TURN_FLOOR_DEG, _YAW_FLOOR_DEG = 0.25, 0.6
"""Errors that a pair has besides its scatter: what is left of a lean, and the grain of the reduced frame."""
_ALONG, _ALONG_SHARE = 0.03, 0.025
"""Error of a distance told by the floor, in camera heights and as a share: 0.1 degrees of pitch are 0.6 % of
three camera heights, 1 / (sin p cos p) radians."""
_GUESS = 1.6
"""Distance in camera heights that is assumed, with little weight, where no floor tells one."""
_WALLS_DEG = 1.2
"""Error of the heading that a frame's walls tell."""
_SIGHTINGS = 2


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """Frames in one plan.

    Attributes
    ----------
    headings_deg : ndarray of shape (n,), dtype float64
        Add to a yaw in a frame's arrays to get its heading in the plan.
    at : ndarray of shape (n, 2), dtype float64
        East and north in camera heights, the plan's own axes.
    part : ndarray of shape (n,), dtype intp
        Which connected part each frame is in; -1 for a frame without links.
    """

    headings_deg: Float
    at: Float
    part: NDArray[np.intp]

    def predicted(self, i: int, j: int) -> tuple[float, float, float]:
        """Turn and direction back from frame i to j, and their distance in camera heights."""
        way = self.at[j] - self.at[i]
        heading = math.degrees(math.atan2(way[0], way[1]))
        turn = wrapped(self.headings_deg[i] - self.headings_deg[j])
        return turn, wrapped(heading + 180 - self.headings_deg[j]), float(np.hypot(*way))

    def way(self, i: int, j: int) -> Way:
        """The straight line from frame i to j."""
        turn, back, length = self.predicted(i, j)
        return Way(wrapped(back - turn + 180.0), back, length)


def parts_of(count: int, links: Iterable[tuple[int, int]]) -> NDArray[np.intp]:
    """Number of the connected part of each frame, the largest part first; -1 for frames without links."""
    root = list(range(count))

    def top(i: int) -> int:
        while root[i] != i:
            root[i] = root[root[i]]
            i = root[i]
        return i

    for first, second in links:
        root[top(first)] = top(second)
    tops = np.array([top(i) for i in range(count)])
    sizes = np.bincount(tops, minlength=count)
    order = sorted({int(t) for t in tops if sizes[t] > 1}, key=lambda t: (-sizes[t], t))
    return np.array([order.index(int(t)) if sizes[t] > 1 else -1 for t in tops], np.intp)


def measured_frames(count: int, links: Sequence[Pair]) -> frozenset[int]:
    """Frames whose place is told in metres: by a distance from another, or by directions of two such."""
    told = parts_of(count, [link.ends for link in links if link.distance and not link.assumed])
    measured = {frame for frame in range(count) if told[frame] >= 0}
    while True:
        seen_from = [link.second if link.first in measured else link.first for link in links
                     if (link.first in measured) != (link.second in measured)]  # fmt: skip
        more = {frame for frame in seen_from if seen_from.count(frame) >= _SIGHTINGS}
        if not more:
            return frozenset(measured)
        measured |= more


def solve_plan(count: int, links: Sequence[Pair], walls_deg: Sequence[float], clear: Sequence[bool]) -> Plan:
    """Put all linked frames into one plan for each connected part.

    Parameters
    ----------
    count : int
        Frames.
    links : sequence of Pair
        Believed links.
    walls_deg, clear : sequence of float, sequence of bool
        Heading of the walls in each frame's arrays, modulo 90, and whether it can be told.
    """
    part = parts_of(count, [link.ends for link in links])
    headings, at = np.zeros(count), np.zeros((count, 2))
    for number in range(int(part.max(initial=-1)) + 1):
        inside = [link for link in links if part[link.first] == number]
        members = np.flatnonzero(part == number)
        _grow(inside, int(members[0]), headings, at)
        _refine_headings(members, inside, headings, walls_deg, clear)
        _refine_places(members, inside, headings, at)
    return Plan(headings, at, part)


def _grow(links: Sequence[Pair], start: int, headings: Float, at: Float) -> None:
    """First guess along the strongest links (a spanning tree)."""
    placed = {start}
    headings[start], at[start] = 0.0, 0.0
    left = sorted(links, key=lambda link: -strength(link))
    while True:
        link = next((one for one in left if (one.first in placed) != (one.second in placed)), None)
        if link is None:
            return
        i, j = link.first, link.second
        distance = link.distance or _GUESS
        if i in placed:
            headings[j] = headings[i] - link.turn_deg
            heading = math.radians(headings[i] + link.yaw_deg)
            at[j] = at[i] + distance * np.array([math.sin(heading), math.cos(heading)])
        else:
            headings[i] = headings[j] + link.turn_deg
            heading = math.radians(headings[j] + link.back_yaw_deg)
            at[i] = at[j] + distance * np.array([math.sin(heading), math.cos(heading)])
        placed |= {i, j}


def _refine_headings(
    members: NDArray[np.intp], links: Sequence[Pair], headings: Float, walls_deg: Sequence[float],
    clear: Sequence[bool],
) -> None:  # fmt: skip
    number = {int(frame): place for place, frame in enumerate(members)}
    n = len(members)
    for step in range(_ROUNDS):
        rows, right, weight = [], [], []
        for link in links:
            off = wrapped(link.turn_deg - (headings[link.first] - headings[link.second]))
            rows.append((number[link.first], number[link.second]))
            right.append(off)
            weight.append(_robust(off, math.hypot(link.turn_error_deg, _TURN_FLOOR_DEG), step))
        a = np.zeros((n, n))
        b = np.zeros(n)
        for (i, j), r, w in zip(rows, right, weight, strict=True):
            a[i, i] += w
            a[j, j] += w
            a[i, j] -= w
            a[j, i] -= w
            b[i] += w * r
            b[j] -= w * r
        common = _common_walls(members, headings, walls_deg, clear)
        for frame, place in number.items():
            if common is not None and clear[frame]:
                off = _modulo_quarter(common - headings[frame] - walls_deg[frame])
                w = _robust(off, _WALLS_DEG, step)
                a[place, place] += w
                b[place] += w * off
        a[np.diag_indices(n)] += 1e-6
        headings[members] += np.linalg.solve(a, b)


def _common_walls(
    members: NDArray[np.intp], headings: Float, walls_deg: Sequence[float], clear: Sequence[bool]
) -> float | None:
    """Heading of the house's walls, modulo 90, if the frames agree on one."""
    told = [headings[i] + walls_deg[i] for i in members if clear[i]]
    if len(told) < 3:
        return None
    mean = np.mean(np.exp(4j * np.radians(told)))
    return float(np.degrees(np.angle(mean)) / 4) if abs(mean) > 0.8 else None


def _modulo_quarter(angle_deg: float) -> float:
    return float((angle_deg + 45.0) % 90.0 - 45.0)


def _robust(off: float, error: float, step: int) -> float:
    """Weight of a residual: squares first, harder on outliers round by round."""
    hard = max(2.0, 8.0 * 0.7**step)
    return float(1.0 / (error * error * (1.0 + (off / (error * hard)) ** 2) ** 2))


def _refine_places(members: NDArray[np.intp], links: Sequence[Pair], headings: Float, at: Float) -> None:
    number = {int(frame): place for place, frame in enumerate(members)}
    n = len(members)
    for step in range(_ROUNDS):
        a, b = np.zeros((2 * n, 2 * n)), np.zeros(2 * n)
        for link in links:
            i, j = number[link.first], number[link.second]
            heading = math.radians(_heading_of(link, headings))
            ahead = np.array([math.sin(heading), math.cos(heading)])
            aside = np.array([ahead[1], -ahead[0]])
            way = at[link.second] - at[link.first]
            told = link.distance or 0.0
            length = max(told or float(np.hypot(*way)), 0.3)
            across = math.radians(math.hypot(link.error_deg, _YAW_FLOOR_DEG)) * length
            terms = [(aside, -float(way @ aside), across)]
            if told:
                terms.append((ahead, told - float(way @ ahead), _ALONG + _ALONG_SHARE * told))
            else:
                terms.append((ahead, max(_GUESS, 0.3) - float(way @ ahead), 3.0))
            for axis, off, error in terms:
                w = _robust(off, error, step)
                block = w * np.outer(axis, axis)
                for p, q, sign in ((i, i, 1), (j, j, 1), (i, j, -1), (j, i, -1)):
                    a[2 * p : 2 * p + 2, 2 * q : 2 * q + 2] += sign * block
                b[2 * i : 2 * i + 2] -= w * off * axis
                b[2 * j : 2 * j + 2] += w * off * axis
        a[np.diag_indices(2 * n)] += 1e-6
        at[members] += np.linalg.solve(a, b).reshape(n, 2)


def _heading_of(link: Pair, headings: Float) -> float:
    """Heading in the plan from the first to the second frame, from both ends."""
    one = headings[link.first] + link.yaw_deg
    other = headings[link.second] + link.back_yaw_deg + 180.0
    return float(one + wrapped(float(other - one)) / 2)
