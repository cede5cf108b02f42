"""How the camera moved between two frames: a turn about the vertical and the direction of a level shift.

Level frames of one height leave two unknowns. A direction a of the first frame and b of the second that show
one point lie, after the turn, in one plane with the shift: b . (t x R a) = 0. For each turn that is tried, a
match says by itself which shift it allows, so all matches vote on one grid of turn and shift; the best places
are refined by robust least squares. Nothing is drawn by chance.

References
----------
.. [1] C. Sweeney, J. Flynn, M. Turk, Solving for relative pose with a partially known rotation is a quadratic
   eigenvalue problem, 3DV 2014: the pose with a known axis.
.. [2] A. Pagani, D. Stricker, Structure from motion using full spherical panoramic cameras, OMNIVIS 2011: the
   angle to the epipolar plane as the error on a sphere.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float64]
Single = NDArray[np.float32]
Index = NDArray[np.intp]
Mask = NDArray[np.bool_]

_SHIFTS = 120
ALL_TURNS = np.arange(1.0, 360.0, 2.0)
NEAR_TURNS, WIDE_TURNS = np.arange(-2.0, 2.1, 1.0), np.arange(-4.0, 4.1, 1.0)
"""Turns to try where nothing is known, and about one that the walls' headings tell, in degrees."""
_FULL_VOTE = np.sin(np.radians(3.0))
"""How far a match must stand off the horizon, or move, to tell a shift with full voice."""
OFF_PLANE_DEG = 0.6
"""How far a match may lie off the plane through both cameras: the grain of the reduced frame (0.35 degrees
a pixel) and what is left of the monopod's lean."""
_SOFT_DEG = 0.25
_STEPS = 8
FEWEST = 8


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """Where the second camera stood, as seen from the first, and the other way round.

    Attributes
    ----------
    turn_deg : float
        Add it to a yaw in the first frame to get the yaw of the same far thing in the second.
    back_yaw_deg : float
        Yaw in the second frame at which the first camera is.
    agrees : ndarray of shape (n,), dtype bool
        Matches that agree.
    error_deg : float
        Standard error of the direction.
    turn_error_deg : float
        Standard error of the turn.
    """

    turn_deg: float
    back_yaw_deg: float
    agrees: Mask
    error_deg: float
    turn_error_deg: float

    @property
    def yaw_deg(self) -> float:
        """Yaw in the first frame at which the second camera is."""
        return wrapped(self.back_yaw_deg - self.turn_deg + 180.0)


def wrapped(angle_deg: float) -> float:
    """The same angle from -180 to 180."""
    return float((angle_deg + 180.0) % 360.0 - 180.0)


def turned(directions: Float, turn_deg: Float | float) -> Float:
    """Directions (n, 3) turned about the vertical so that their yaw grows by `turn_deg`; by each of many."""
    turn = np.radians(turn_deg)
    matrix = np.zeros((*np.shape(turn), 3, 3))
    matrix[..., 0, 0] = matrix[..., 2, 2] = np.cos(turn)
    matrix[..., 2, 0], matrix[..., 1, 1] = np.sin(turn), 1.0
    matrix[..., 0, 2] = -matrix[..., 2, 0]
    return directions @ matrix


def voted(
    a: Float, b: Float, turns: Float, peaks: int = 1, apart: int = 4, quarters: Index | None = None
) -> list[tuple[float, float, float]]:
    """The motions that most matches vote for.

    Parameters
    ----------
    a, b : ndarray of shape (n, 3), dtype float64
        Unit directions of each match in the first and second frame.
    turns : ndarray, dtype float64
        Turns to try, degrees, evenly spaced.
    peaks : int
        How many motions to return, of each quarter turn.
    apart : int
        Cells of the grid that two of them are apart at least.
    quarters : ndarray of shape (n,), dtype intp, optional
        By how many right angles each match is turned more: only those of one quarter turn vote together.

    Returns
    -------
    list of (votes, turn_deg, back_yaw_deg)
        Of each quarter turn the best first.
    """
    quarters = np.zeros(len(a), np.intp) if quarters is None else quarters
    told, group = np.unique(quarters, return_inverse=True)
    ra = turned(_turned_by_quarters(a, quarters), turns)
    normal = _cross(ra, b[None])
    level = np.hypot(normal[..., 0], normal[..., 2])
    safe = np.maximum(level, 1e-9)
    tx, tz = normal[..., 2] / safe, -normal[..., 0] / safe
    # The point must lie before both cameras: that tells which way the shift points.
    first, second = _depth_of_other(ra, tx, tz, normal), _depth_of_other(b[None], tx, tz, normal)
    sign = np.where(first > 0, 1.0, -1.0)
    shift = np.arctan2(sign * tx, sign * tz)
    weight = (first * second > 0) * np.minimum(level / _FULL_VOTE, 1.0)
    column = np.floor(shift * (_SHIFTS / (2 * np.pi))).astype(np.intp) % _SHIFTS
    flat = column + _SHIFTS * (np.arange(len(turns))[:, None] + len(turns) * group)
    size = (len(told), len(turns), _SHIFTS)
    votes = np.bincount(flat.ravel(), weight.ravel(), size[0] * size[1] * size[2]).reshape(size)
    ringed = np.pad(votes, ((0, 0), (0, 0), (2, 2)), mode="wrap").astype(np.float32)
    return [
        peak
        for quarter, grid in zip(told, ringed, strict=True)
        for peak in _peaks(cv2.GaussianBlur(grid, (5, 5), 0.9)[:, 2:-2], turns + 90.0 * quarter, peaks, apart)
    ]


def _turned_by_quarters(directions: Float, quarters: Index) -> Float:
    """Directions (n, 3) turned about the vertical by right angles, exactly."""
    x, y, z = directions.T
    sine, cosine = np.array([0, 1, 0, -1])[quarters], np.array([1, 0, -1, 0])[quarters]
    return np.stack([x * cosine + z * sine, y, z * cosine - x * sine], axis=1)


def _peaks(smooth: Single, turns: Float, peaks: int, apart: int) -> list[tuple[float, float, float]]:
    """The highest places of a grid of votes: votes, turn and direction back."""
    found = []
    for _ in range(peaks):
        i, j = divmod(int(smooth.argmax()), _SHIFTS)
        found.append((float(smooth[i, j]), float(turns[i]), (j + 0.5) * (360.0 / _SHIFTS)))
        smooth[max(i - apart, 0) : i + apart + 1, (j + np.arange(-apart, apart + 1)) % _SHIFTS] = -1
    return found


def _depth_of_other(ray: Float, tx: Float | float, tz: Float | float, normal: Float) -> Float:
    """Depth of the other ray, times the square of its normal: (ray x t) . (R a x b)."""
    crossed = (ray[..., 1] * tz, ray[..., 2] * tx - ray[..., 0] * tz, -ray[..., 1] * tx)
    dotted: Float = sum(part * normal[..., k] for k, part in enumerate(crossed))  # type: ignore[assignment]
    return dotted


def refined(a: Float, b: Float, turn_deg: float, back_deg: float) -> Motion | None:
    """Bring a motion to the least sum of robust errors; None if too few agree or it runs away."""
    turn, back = np.radians(turn_deg), np.radians(back_deg)
    soft = np.radians(_SOFT_DEG)
    for step in range(_STEPS):
        error, by_turn, by_back = _errors(a, b, turn, back)
        width = soft * max(1.0, 6.0 * 0.6**step)
        weight = 1.0 / np.square(1.0 + np.square(error / width))
        of_turn, of_back = weight * by_turn, weight * by_back
        turns, both, backs = of_turn @ by_turn + 1e-6, of_turn @ by_back, of_back @ by_back + 1e-6
        size = turns * backs - both * both
        pull_turn, pull_back = of_turn @ error, of_back @ error
        turn -= np.clip((backs * pull_turn - both * pull_back) / size, -0.1, 0.1)
        back -= np.clip((turns * pull_back - both * pull_turn) / size, -0.1, 0.1)
    error, _, _ = _errors(a, b, turn, back)
    agrees = (np.abs(error) < np.radians(OFF_PLANE_DEG)) & _before_both(a, b, turn, back)
    if agrees.sum() < FEWEST:
        return None
    scatter = max(float(np.sqrt(np.mean(np.square(error[agrees])))), np.radians(0.05))
    return Motion(
        wrapped(float(np.degrees(turn))),
        wrapped(float(np.degrees(back))),
        agrees,
        float(np.degrees(scatter * np.sqrt(max(turns / size, 0)))),
        float(np.degrees(scatter * np.sqrt(max(backs / size, 0)))),
    )


def _cross(one: Float, other: Float) -> Float:
    """Cross products (..., 3); numpy's own takes three times as long for a few hundred."""
    ax, ay, az = one[..., 0], one[..., 1], one[..., 2]
    bx, by, bz = other[..., 0], other[..., 1], other[..., 2]
    return np.stack([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx], axis=-1)


def _errors(a: Float, b: Float, turn: float, back: float) -> tuple[Float, Float, Float]:
    """Angle of each match off the epipolar plane, and how it changes with turn and shift."""
    ax, ay, az = a.T
    ax, az = ax * np.cos(turn) + az * np.sin(turn), az * np.cos(turn) - ax * np.sin(turn)
    bx, by, bz = b.T
    tx, tz = np.sin(back), np.cos(back)
    normal_x, normal_z = ay * bz - az * by, ax * by - ay * bx  # a level shift asks for no more
    # Off the plane by the smaller of both rays' distances from the shift's line.
    away_a = np.sqrt(np.maximum(1 - np.square(ax * tx + az * tz), 1e-4))
    away_b = np.sqrt(np.maximum(1 - np.square(bx * tx + bz * tz), 1e-4))
    scale = 1.0 / np.minimum(away_a, away_b)
    error = (normal_x * tx + normal_z * tz) * scale
    by_turn = (ax * by * tx + az * by * tz) * scale  # a turn moves the ray by (az, 0, -ax)
    by_back = (normal_x * tz - normal_z * tx) * scale
    return error, by_turn, by_back


def _before_both(a: Float, b: Float, turn: float, back: float) -> Mask:
    """Whether the point of each match lies before both cameras; far points may miss it by a hair."""
    first, second, parallax = depths(a, b, np.degrees(turn), np.degrees(back))
    far = parallax < np.radians(1.5)
    before: Mask = ((first > 0) & (second > 0)) | far
    return before


def depths(a: Float, b: Float, turn_deg: float, back_deg: float) -> tuple[Float, Float, Float]:
    """How far each match's point is from both cameras (lengths of the shift), and its parallax in radians."""
    ra = turned(a, turn_deg)
    back = np.radians(back_deg)
    tx, tz = np.sin(back), np.cos(back)
    normal = _cross(ra, b)
    square = np.maximum(np.square(normal).sum(axis=1), 1e-12)
    first, second = (_depth_of_other(ray, tx, tz, normal) / square for ray in (b, ra))
    return first, second, np.sqrt(square)
