"""Tilt of a frame's horizon, from the upright edges of what it shows.

An upright line in space lies on a great circle through the zenith, wherever it stands. Each
upright edge spans a great circle; the direction that most of those circles meet in is the
true zenith, and its distance from the frame's own is the tilt. Edges are followed from row to row to a
fraction of a pixel (the run of a single pixel's gradient favours the pixel grid), circles are fitted to
them, and the zenith is found by consensus over pairs of circles, then by robust least squares. Edges that
slant vote for nothing in common.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.sphere.geometry import direction, pitch_of_row, yaw_of_column, yaw_pitch
from panopipe.sphere.wrap import pad

Float = NDArray[np.float64]

_WIDTH = 1536
_LEVEL_DEG = 55.0
"""Edges within this pitch vote: nearer to a pole every line seems to run to it."""
_LARGEST_DEG = 12.0
"""A monopod leans no further (common practice, no source)."""
_FAINTEST = 2.0
"""Slope in codes per pixel below which an edge is not followed."""
_LARGEST_STEP_PX = 1.0
_SHORTEST_ROWS, _STRETCH_ROWS = 12, 128
"""Rows (of 768) that a line must have, and after which the next stretch of it is a vote of its own."""
_PAIRS = 400
_FEWEST = 12
_NEAR_DEG = 0.75
_AGREEING = 0.25
"""Share of the upright-looking votes that must agree before a tilt is believed."""
_SURE_DEG = 0.15
"""Standard error above which the tilt counts as undetermined."""


@dataclass(frozen=True, slots=True)
class Tilt:
    """How far a frame leans.

    Attributes
    ----------
    tilt_deg : float
        Angle between the frame's zenith and the true one.
    toward_yaw_deg : float
        Yaw, in the file, in which the true zenith lies from the frame's. Turning the frame by `tilt_deg`
        so that this place comes to the zenith levels it.
    error_deg : float
        Standard error of the tilt, from the scatter of the edges.
    """

    tilt_deg: float
    toward_yaw_deg: float
    error_deg: float


def horizon_tilt(rgb8: NDArray[np.uint8]) -> Tilt | None:
    """Find the tilt of a frame.

    Parameters
    ----------
    rgb8 : ndarray of shape (height, width, 3), dtype uint8
        A whole frame, sRGB.

    Returns
    -------
    Tilt or None
        None when the frame does not show enough upright edges, or they do not agree.

    References
    ----------
    .. [1] J. Jung et al., Robust upright adjustment of 360 spherical panoramas, The Visual Computer 33,
       2017: the zenith as the point where the great circles of upright lines meet.
    """
    normals, weight = _votes(rgb8)
    if len(weight) < _FEWEST:
        return None
    lean = _consensus(normals, weight)
    return _refined(normals, weight, lean)


def _votes(rgb8: NDArray[np.uint8]) -> tuple[Float, Float]:
    """Normals of the great circles of long, roughly upright edges, and the weight of each."""
    width = min(_WIDTH, rgb8.shape[1] // 2 * 2)
    height = width // 2
    small = cv2.resize(cv2.cvtColor(rgb8, cv2.COLOR_RGB2GRAY), (width, height), interpolation=cv2.INTER_AREA)
    # sRGB codes go by lightness, so an edge in a dark corner counts about as much as one in the light.
    grey = cv2.GaussianBlur(pad(small, 8).astype(np.float32), (0, 0), 1.2)
    level = np.flatnonzero(np.abs(pitch_of_row(np.arange(height), height)) < _LEVEL_DEG)
    slope = cv2.Scharr(grey, cv2.CV_32F, 1, 0)[8:-8, 8:-8][level] / 32
    rows, columns, strength, line = _lines(slope)
    return _circles(rows + level[0], columns, strength, line, width)


def _lines(slope: NDArray[np.float32]) -> tuple[NDArray[np.intp], Float, Float, NDArray[np.intp]]:
    """Trace edges from row to row: row, column to a fraction of a pixel, strength and line of each point."""
    size = np.abs(slope)
    before, after = np.roll(size, 1, axis=1), np.roll(size, -1, axis=1)
    rows, columns = np.nonzero((size >= before) & (size > after) & (size > _FAINTEST))
    low, top, high = before[rows, columns], size[rows, columns], after[rows, columns]
    exact = columns + 0.5 * (low - high) / np.minimum(low - 2 * top + high, -1e-6)
    rising = slope[rows, columns] > 0
    line = _followed(rows, exact, rising, slope.shape[1])
    return rows, exact, top.astype(np.float64), line


def _followed(
    rows: NDArray[np.intp], columns: Float, rising: NDArray[np.bool_], width: int
) -> NDArray[np.intp]:
    """First point of the line that each point lies on; points come row by row.

    A point goes on from the nearest one in the row above, if that is near. Rows, and in them rising and
    falling edges, lie on separate stretches of one axis, so that one search finds all those neighbours.
    """
    stretch = 4 * width
    axis = rows * float(stretch) + rising * float(2 * width) + columns
    order = np.argsort(axis)
    if len(order) < 2:
        return order
    known, wanted = axis[order], axis - stretch
    place = np.clip(np.searchsorted(known, wanted), 1, len(order) - 1)
    place -= np.abs(known[place - 1] - wanted) <= np.abs(known[place] - wanted)
    joined = np.abs(known[place] - wanted) < _LARGEST_STEP_PX
    line: NDArray[np.intp] = np.where(joined, order[place], np.arange(len(order)))
    while True:  # each round doubles how far up a point looks
        further = line[line]
        if np.array_equal(further, line):
            return line
        line = further


def _circles(
    rows: NDArray[np.intp], columns: Float, strength: Float, line: NDArray[np.intp], width: int
) -> tuple[Float, Float]:
    """Fit a great circle to each stretch of a line; its normal and weight."""
    first = np.zeros(line.max(initial=0) + 1, dtype=np.intp)
    first[line[::-1]] = rows[::-1]  # of a line's points, the topmost is written last
    stretch = line * 64 + (rows - first[line]) // _STRETCH_ROWS
    _, member = np.unique(stretch, return_inverse=True)
    here = direction(yaw_of_column(columns, width), pitch_of_row(rows, width // 2))
    pairs = [(0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2)]
    sums = np.stack([np.bincount(member, here[:, i] * here[:, j]) for i, j in pairs], axis=1)
    length = np.bincount(member)
    scatter = sums[:, [0, 1, 2, 1, 3, 4, 2, 4, 5]].reshape(-1, 3, 3)
    keep = length >= _SHORTEST_ROWS
    values, vectors = np.linalg.eigh(scatter[keep])
    off_px = np.sqrt(np.maximum(values[:, 0], 0) / length[keep]) * width / (2 * np.pi)
    normals = vectors[:, :, 0]
    straight = (off_px < 0.25) & (np.abs(normals[:, 1]) < np.sin(np.radians(_LARGEST_DEG + 3)))
    loud = np.minimum(np.bincount(member, strength)[keep] / length[keep], 20.0)
    weight = length[keep] ** 1.5 * np.sqrt(loud)
    return normals[straight], weight[straight]


def _consensus(normals: Float, weight: Float) -> Float:
    """Lean (x, z) of the zenith (x, 1, z) that most circles pass near, over pairs of them."""
    chance = np.random.default_rng(len(weight))
    share = weight / weight.sum()
    first, second = (chance.choice(len(weight), _PAIRS, p=share) for _ in range(2))
    meeting = np.cross(normals[first], normals[second])
    meeting *= np.sign(meeting[:, 1:2])
    fair = meeting[:, 1] > np.cos(np.radians(_LARGEST_DEG)) * np.linalg.norm(meeting, axis=1)
    fair &= np.linalg.norm(meeting, axis=1) > 0.25  # circles that nearly coincide meet anywhere
    zenith = np.concatenate([[[0.0, 1.0, 0.0]], meeting[fair]])
    zenith /= np.linalg.norm(zenith, axis=1, keepdims=True)
    near = np.abs(normals @ zenith.T) < np.sin(np.radians(_NEAR_DEG))
    best = zenith[int(np.argmax(weight @ near))]
    lean: Float = np.array([best[0], best[2]]) / best[1]
    return lean


def _refined(normals: Float, weight: Float, lean: Float) -> Tilt | None:
    """Least squares with Tukey's weights that close in on the solution."""
    level = normals[:, [0, 2]]
    scale = np.linalg.norm(level, axis=1)
    design, target = level / scale[:, np.newaxis], -normals[:, 1] / scale
    for reach_deg in (1.5, 1.0, 0.75, 0.75, 0.75):
        off = (target - design @ lean) / np.tan(np.radians(reach_deg))
        robust = weight * np.where(np.abs(off) < 1, (1 - off**2) ** 2, 0)
        matrix = design.T @ (robust[:, np.newaxis] * design)
        if np.linalg.cond(matrix) > 50:
            return None
        lean = np.linalg.solve(matrix, design.T @ (robust * target))
    off_deg = np.degrees(np.abs(target - design @ lean))
    agreeing = float(weight[off_deg < _NEAR_DEG].sum() / weight.sum())
    spread = float(np.sqrt((robust @ off_deg**2) / robust.sum()))
    voices = robust.sum() ** 2 / (robust @ robust)
    error_deg = spread * float(np.sqrt(2 / max(voices - 2, 1)))
    if agreeing < _AGREEING or error_deg > _SURE_DEG:
        return None
    yaw, pitch = yaw_pitch(np.array([lean[0], 1.0, lean[1]]))
    return Tilt(float(90 - pitch), float(yaw), error_deg)
