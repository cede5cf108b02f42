"""Where two kinds of floor meet under the foot: the line or arc of a rug's edge, carried through the hole.

Seen straight down a rug's edge is straight or round. Its visible parts on both sides of the hole fix it; what
lies in the hole is then known to be the one kind or the other, and is filled from its own kind alone.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from panopipe.sphere.hull import hull_of
from panopipe.studies.floor.edge import Edge, lies_beyond, places_at
from panopipe.studies.floor.edge_fit import LEAST_SEEN, REACH, STRAIGHT, fitted, hemmed
from panopipe.studies.floor.logs import offset_for, to_log
from panopipe.studies.floor.scene import shrunk

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]
Float = NDArray[np.float64]

_GRID_RADIUS_PX = 14
"""Radius of the hole on the grid on which edges are sought."""
_LIGHTNESS, _COLOUR = 0.30, 0.12
"""Differences in log light and in log ratios of channels that count as one."""
_COLOURS, _MEANS = 7, 4
"""Colours by which the kinds of floor are told, and rounds in which they are found."""
_ANGLES, _OFFSETS = 24, 13
"""Directions of the edge, and places at which it crosses the hole, that are tried."""
_BENDS = (0.0, -0.12, 0.12, -0.25, 0.25, -0.42, 0.42)
"""Bends that are tried, as the radius of the hole over that of the arc: a round rug is larger than a foot."""
_ASIDE = 0.11
"""How far from the edge its two sides are compared, in radii of the hole."""
_LEAST_APART, _LEAST_STEP = 0.62, 1.4
"""Share of colours that must be those of one side only, and step at the edge, from which floors are two
kinds: light falls off without a step; chequers, boards and stripes have their colours on both sides."""
_LEAST_SIDE = 0.06
"""Least share of the floor looked at that must lie on either side."""
_JUDGED = 96
"""Edges whose step is looked at: those that part the colours best."""
_SAMPLES, _SAMPLES_AT_LAST = 900, 6000
"""Pixels by whose colours the sides are told, and those by which the edge is set at last."""
_FURTHEST = 1.1
"""Distance from the hole's middle, in its radii, beyond which an edge is none of the hole's."""
_MOST_BENT = 0.55
"""Bend, in radii of the hole, above which an edge is a lamp's glow."""
_ROUNDS, _STARTS = 4, 3
"""Rounds in which an edge is brought nearer, and how many are, of unlike bends."""
_AGAIN, _GAINED = 4, 0.003
"""How often the best is brought nearer again, as long as it parts the floor so much better."""
_STEP_WORTH, _MOST_STEP = 0.1, 3.0
"""What a step at the edge counts beside the colours that it parts, and the largest that counts."""
_BAYS = 1.15
"""Area of a hole's hull over its own from which an edge is also sought around the hull."""


def floor_edge(light: Picture, known: Mask, hole: Mask) -> Edge | None:
    """Find the line or arc at which two kinds of floor meet in the hole.

    Parameters
    ----------
    light : ndarray of shape (n, n, 3), dtype float32
        Straight-down view, linear light.
    known : ndarray of shape (n, n), dtype bool
        Where it shows floor.
    hole : ndarray of shape (n, n), dtype bool

    Returns
    -------
    Edge or None
        None where one kind of floor lies all round the hole.
    """
    found = _edge_at(light, known, hole)
    hull = hull_of(hole)
    if hull.sum() < _BAYS * hole.sum():
        return None if found is None else found[1]
    # What shows between legs misleads as often as it helps.
    around = _edge_at(light, known, hull)
    edges = [one for one in (found, around) if one is not None]
    return max(edges, key=lambda one: one[0])[1] if edges else None


def _edge_at(light: Picture, known: Mask, hole: Mask) -> tuple[float, Edge] | None:
    """An edge, and how well it parts two kinds of floor."""
    radius = math.sqrt(hole.sum() / math.pi)
    factor = max(1, round(radius / _GRID_RADIUS_PX))
    known = known & ~hole
    looked = _Looked(light, known, hole, factor)
    nearer = [_closer(looked, start) for start in _best_tried(looked)]
    edges = [edge for edge in nearer if edge is not None]
    if not edges:
        return None
    best = max(edges, key=lambda edge: _worth(looked, edge[None])[0])
    for _ in range(_AGAIN):
        again = _closer(looked, best)
        if again is None or _worth(looked, again[None])[0] < _worth(looked, best[None])[0] + _GAINED:
            break
        best = again
    middle = (looked.middle + 0.5) * factor - 0.5
    bend = float(best[2]) / factor
    bend = 0.0 if abs(bend) * radius < STRAIGHT else bend
    rough = Edge((float(middle[0]), float(middle[1])), float(best[0]), float(best[1]) * factor, bend)
    exact = fitted(rough, light, known, radius)
    last = _Looked(light, known, hole, max(1, factor // 2), samples=_SAMPLES_AT_LAST)
    edge = _set(exact, last)
    row = edge.row * (1, 1 / factor, factor)
    return float(_worth(looked, row)[0]), hemmed(edge, light, known, radius)


def _worth(looked: _Looked, edges: Float) -> Float:
    """How well edges part two kinds of floor."""
    return np.asarray(looked.apart(edges) + _STEP_WORTH * np.minimum(looked.steps(edges), _MOST_STEP))


def _closer(looked: _Looked, best: Float) -> Float | None:
    """Bring an edge nearer to where it parts the floor best, if it parts two kinds at all."""
    spread = np.array((math.pi / _ANGLES, looked.radius / _OFFSETS, 0.08 / looked.radius))
    for round_ in range(_ROUNDS):
        near = best + _around(spread / 1.7**round_)
        best = near[int(_worth(looked, near).argmax())]
    parts = looked.apart(best[None])[0] >= _LEAST_APART and looked.steps(best[None])[0] >= _LEAST_STEP
    lies_in = abs(best[1]) <= _FURTHEST * looked.radius
    return best if parts and lies_in and abs(best[2]) * looked.radius <= _MOST_BENT else None


def _set(edge: Edge, looked: _Looked) -> Edge:
    """Move an edge aside to where it parts the colours best: a rug's hem has several lines."""
    factor = looked.factor
    moves = np.arange(-8, 8.5, 0.5)
    rows = edge.row * (1, 1 / factor, factor) + np.stack([0 * moves, moves, 0 * moves], -1)
    apart = looked.apart(rows)
    return replace(edge, offset_px=edge.offset_px + float(moves[int(apart.argmax())]) * factor)


def _best_tried(looked: _Looked) -> list[Float]:
    """The best of many edges, straight and bent, of unlike bends."""
    angles = np.arange(_ANGLES // 2) * (2 * math.pi / _ANGLES)
    offsets = np.linspace(-0.95, 0.95, _OFFSETS) * looked.radius
    tried = np.stack([axis.ravel() for axis in np.meshgrid(angles, offsets, 0.0, indexing="ij")], -1)
    tried = np.concatenate([tried + np.array((0, 0, bend / looked.radius)) for bend in _BENDS])
    apart = looked.apart(tried)
    some = _best_of(apart, _JUDGED)
    worth = apart[some] * np.minimum(looked.steps(tried[some]) / _LEAST_STEP, 1)
    parting = worth > 0.8 * _LEAST_APART
    order = some[_best_of(np.where(parting, worth, -1), int(parting.sum()))]
    starts: list[Float] = []
    for edge in tried[order]:
        if len(starts) < _STARTS and all(abs(edge[2] - other[2]) * looked.radius > 0.05 for other in starts):
            starts.append(edge)
    return starts


def _best_of(worth: Float, count: int) -> NDArray[np.int64]:
    return np.asarray(np.argsort(-worth, kind="stable")[:count])


def _around(spread: Float) -> Float:
    """Small changes of angle, offset and bend."""
    steps = np.array((-1.0, -0.5, 0.0, 0.5, 1.0))
    grid = np.meshgrid(steps, steps, np.array((-1.0, 0.0, 1.0)), indexing="ij")
    return np.stack([axis.ravel() for axis in grid], -1) * spread


class _Looked:
    """A view on a coarse grid, asked how unlike the two sides of edges are.

    Edges are rows of angle, offset and bend, as in `Edge`, in pixels of the grid.
    """

    def __init__(
        self, light: Picture, known: Mask, hole: Mask, factor: int, *, samples: int = _SAMPLES
    ) -> None:
        self.factor = factor
        logs = to_log(np.maximum(shrunk(light, factor), 0), offset_for(light, known))
        luma = logs @ np.array((0.3, 0.6, 0.1), np.float32)
        red, green, blue = (logs[..., channel] for channel in range(3))
        seen = np.stack([luma / _LIGHTNESS, (red - green) / _COLOUR, (blue - green) / _COLOUR], -1)
        seen = seen.astype(np.float32)
        at = np.argwhere(hole)
        self.middle = (at.min(0) + at.max(0) + 1) / 2 / factor - 0.5
        self.radius = math.sqrt(hole.sum() / math.pi) / factor
        sure = shrunk(known.astype(np.float32), factor) > 0.999
        rows, columns = np.nonzero(sure)
        y, x = rows - self.middle[0], columns - self.middle[1]
        near = np.flatnonzero(np.hypot(y, x) < REACH * self.radius)
        near = near[:: max(1, len(near) // samples)]
        self.y, self.x = y[near], x[near]
        self.members = _members(seen[rows[near], columns[near]])
        seen[~sure] = np.nan
        self.seen = np.pad(seen, ((1, 1), (1, 1), (0, 0)), constant_values=np.nan)

    def apart(self, edges: Float) -> Float:
        """Share of the colours that only one side of each edge shows: half the sum of |difference|."""
        beyond = lies_beyond(edges, self.y, self.x).astype(np.float32)
        count, total = beyond.sum(1), np.float32(len(self.y))
        there = beyond @ self.members
        here = self.members.sum(0) - there
        difference = there / np.maximum(count, 1)[:, None] - here / np.maximum(total - count, 1)[:, None]
        enough = np.minimum(count, total - count) >= _LEAST_SIDE * total
        return np.asarray(np.where(enough, 0.5 * np.abs(difference).sum(1), 0))

    def steps(self, edges: Float) -> Float:
        """Mean size of the step over each edge, at the end of the edge where it is less."""
        along = np.linspace(-REACH, REACH, 29) * self.radius
        aside = max(_ASIDE * self.radius, 1.5)
        gap = np.linalg.norm(self._at(edges, along, aside) - self._at(edges, along, -aside), axis=-1)
        there = np.isfinite(gap)
        ends = []
        for end in (along < 0, along > 0):
            count = (there & end).sum(1)
            mean = np.where(there & end, gap, 0).sum(1) / np.maximum(count, 1)
            ends.append(np.where(count >= LEAST_SEEN, mean, 0))
        return np.asarray(np.minimum(*ends))

    def _at(self, edges: Float, along: Float, aside: float) -> Picture:
        """What is seen at places along each edge, so far from it; not a number where nothing is known."""
        rows, columns = places_at(edges, along, aside)
        height, width = self.seen.shape[:2]
        row = np.clip(np.rint(rows + self.middle[0]).astype(np.int64) + 1, 0, height - 1)
        column = np.clip(np.rint(columns + self.middle[1]).astype(np.int64) + 1, 0, width - 1)
        seen: Picture = self.seen.reshape(-1, 3).take(row * width + column, axis=0)
        return seen


def _members(colours: Picture) -> Picture:
    """Which of a few typical colours each pixel is nearest to, as rows of one 1."""
    typical = [colours.mean(0)]
    far = np.full(len(colours), np.inf)
    for _ in range(_COLOURS - 1):
        far = np.minimum(far, np.square(colours - typical[-1]).sum(-1))
        typical.append(colours[int(far.argmax())])
    means = np.array(typical)
    for _ in range(_MEANS):
        which = np.square(colours[:, None] - means).sum(-1).argmin(1)
        members = (which[:, None] == np.arange(_COLOURS)).astype(np.float32)
        count = members.sum(0)[:, None]
        means = np.where(count > 0, members.T @ colours / np.maximum(count, 1), means)
    return np.asarray(members, np.float32)
