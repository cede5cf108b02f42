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
    a: Float, b: Float, turns: Float, peaks: int = 1, apart: int = 4
) -> list[tuple[float, float, float]]:
    """The motions that most matches vote for.

    Parameters
    ----------
    a, b : ndarray of shape (n, 3), dtype float64
        Unit directions of each match in the first and second frame.
    turns : ndarray, dtype float64
        Turns to try, degrees, evenly spaced.
    peaks : int
        How many motions to return.
    apart : int
        Cells of the grid that two of them are apart at least.

    Returns
    -------
    list of (votes, turn_deg, back_yaw_deg)
    """
    ra = turned(a, turns)
    normal = _cross(ra, b[None])
    level = np.hypot(normal[..., 0], normal[..., 2])
    safe = np.maximum(level, 1e-9)
    tx, tz = normal[..., 2] / safe, -normal[..., 0] / safe
    # The point must lie before both cameras: that tells which way the shift points.
    first, second = _depth_sign(ra, tx, tz, normal), _depth_sign(b[None], tx, tz, normal)
    sign = np.where(first > 0, 1.0, -1.0)
    shift = np.arctan2(sign * tx, sign * tz)
    weight = np.where(first * second > 0, np.minimum(level / _FULL_VOTE, 1.0), 0.0)
    column = np.floor(shift * (_SHIFTS / (2 * np.pi))).astype(np.intp) % _SHIFTS
    flat = column + _SHIFTS * np.arange(len(turns))[:, None]
    votes = np.bincount(flat.ravel(), weight.ravel(), len(turns) * _SHIFTS).reshape(len(turns), _SHIFTS)
    ringed = np.pad(votes, ((0, 0), (2, 2)), mode="wrap").astype(np.float32)
    smooth = cv2.GaussianBlur(ringed, (5, 5), 0.9)[:, 2:-2]
    found = []
    for _ in range(peaks):
        i, j = (int(k) for k in np.unravel_index(int(smooth.argmax()), smooth.shape))
        found.append((float(smooth[i, j]), float(turns[i]), (float(j) + 0.5) * (360.0 / _SHIFTS)))
        rows = np.arange(max(i - apart, 0), min(i + apart + 1, len(turns)))
        smooth[np.ix_(rows, (j + np.arange(-apart, apart + 1)) % _SHIFTS)] = -1
    return found


def _depth_sign(ray: Float, tx: Float, tz: Float, normal: Float) -> Float:
    """Sign of the other ray's depth: (ray x t) . (R a x b)."""
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
        slopes = np.stack([by_turn, by_back])
        normal = (slopes * weight) @ slopes.T + 1e-6 * np.eye(2)
        move = np.clip(-np.linalg.solve(normal, slopes @ (weight * error)), -0.1, 0.1)
        turn, back = turn + move[0], back + move[1]
    error, _, _ = _errors(a, b, turn, back)
    agrees = (np.abs(error) < np.radians(OFF_PLANE_DEG)) & _before_both(a, b, turn, back)
    if agrees.sum() < FEWEST:
        return None
    scatter = max(float(np.sqrt(np.mean(np.square(error[agrees])))), np.radians(0.05))
    spread = np.linalg.inv(normal) * scatter**2
    return Motion(
        wrapped(float(np.degrees(turn))),
        wrapped(float(np.degrees(back))),
        agrees,
        float(np.degrees(np.sqrt(max(spread[1, 1], 0)))),
        float(np.degrees(np.sqrt(max(spread[0, 0], 0)))),
    )


def _cross(one: Float, other: Float) -> Float:
    """Cross products (..., 3); numpy's own takes three times as long for a few hundred."""
    ax, ay, az = one[..., 0], one[..., 1], one[..., 2]
    bx, by, bz = other[..., 0], other[..., 1], other[..., 2]
    return np.stack([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx], axis=-1)


def _errors(a: Float, b: Float, turn: float, back: float) -> tuple[Float, Float, Float]:
    """Angle of each match off the epipolar plane, and how it changes with turn and shift."""
    ax, ay, az = turned(a, np.degrees(turn)).T
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
    shift = np.array([np.sin(back), 0.0, np.cos(back)])
    normal = _cross(ra, b)
    square = np.maximum(np.square(normal).sum(axis=1), 1e-12)
    first = -(np.cross(b, shift) * -normal).sum(axis=1) / square
    second = (np.cross(ra, shift) * normal).sum(axis=1) / square
    return first, second, np.sqrt(square)
