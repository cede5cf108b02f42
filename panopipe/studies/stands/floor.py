"""How the camera moved over the floor: the same motion again, in camera heights and without the walls."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float64]

_NEAR, _NEAR_SHARE = 0.05, 0.025
"""How far two matches' shifts may differ: the grain of the view, and what a lean of a third of a degree moves
what lies further away."""
FEWEST = 4
_ALONG_DEG = 7.0
_ON_FLOOR = 0.07
"""How near the floor a point must be, in camera heights."""


@dataclass(frozen=True, slots=True)
class FloorShift:
    """What the floor tells.

    Attributes
    ----------
    right, forward : float
        Where the first camera stands on the second's floor, in camera heights.
    count : int
        Matches that agree.
    rivals : int
        Matches that agree with the best shift in another direction: floors of many like tiles have such.
    beside : int
        Matches that agree with the best other distance in the same direction, points on the floor included.
    fits : int
        The same of this one.
    """

    right: float
    forward: float
    count: int
    rivals: int
    beside: int
    fits: int

    @property
    def distance(self) -> float:
        """Distance of the cameras in camera heights."""
        return float(np.hypot(self.right, self.forward))

    @property
    def back_yaw_deg(self) -> float:
        """Yaw in the second frame at which the first camera is."""
        return float(np.degrees(np.arctan2(self.right, self.forward)))


def floor_shift(
    one: Float, other: Float, turn_deg: float, along_deg: float | None = None, below: Float | None = None
) -> FloorShift | None:
    """Find the shift that most matches of the floor agree with.

    Parameters
    ----------
    one, other : ndarray of shape (n, 2), dtype float64
        Places of each match, right and forward in camera heights, in both frames' arrays.
    turn_deg : float
        How the frames are turned.
    along_deg : float, optional
        Direction back that the walls tell: of several shifts it says which is meant, if one is near it.
    below : ndarray of shape (m,), dtype float64, optional
        How far below the camera points around it lie, in lengths of the shift: under the right one, many lie
        on the floor and none under it.
    """
    if len(one) < FEWEST:
        return None
    turn = np.radians(turn_deg)
    right = np.cos(turn) * one[:, 0] + np.sin(turn) * one[:, 1]
    forward = np.cos(turn) * one[:, 1] - np.sin(turn) * one[:, 0]
    shift = other - np.stack([right, forward], axis=1)
    reach = _NEAR + _NEAR_SHARE * (np.hypot(*one.T) + np.hypot(*other.T)) / 2
    apart = np.linalg.norm(shift[:, None] - shift[None], axis=2)
    near = apart < np.maximum(reach[:, None], reach[None])
    count = near.sum(axis=1)
    meant = np.ones(len(shift), bool) if along_deg is None else _along(shift, along_deg)
    if not meant.any() or count[meant].max() < FEWEST:
        meant = np.ones(len(shift), bool)
    fits = count + _stands_on_floor(np.hypot(*shift.T), below)
    best = int(np.where(meant & (count >= FEWEST), fits, -np.inf).argmax())
    if count[best] < FEWEST or fits[best] < FEWEST:
        return None
    agree = near[best]
    weight = 1.0 / np.square(reach[agree])
    middle = (shift[agree] * weight[:, None]).sum(axis=0) / weight.sum()
    elsewhere = apart[best] > 3 * reach[best]
    return FloorShift(
        float(middle[0]),
        float(middle[1]),
        int(count[best]),
        int(count[elsewhere & ~meant].max(initial=0)),
        int(fits[elsewhere & meant].max(initial=0)),
        int(fits[best]),
    )


def _stands_on_floor(distance: Float, below: Float | None) -> NDArray[np.intp]:
    """For each distance, points that lie on the floor, less those under it."""
    if below is None or not len(below):
        return np.zeros(len(distance), np.intp)
    depth = distance[:, None] * below[None]
    found: NDArray[np.intp] = (np.abs(depth - 1) < _ON_FLOOR).sum(axis=1) - (depth > 1 + 2 * _ON_FLOOR).sum(
        axis=1
    )
    return found


def _along(shift: Float, yaw_deg: float) -> NDArray[np.bool_]:
    """Whether shifts point in a direction, as far as a floor can tell it."""
    yaw = np.degrees(np.arctan2(shift[:, 0], shift[:, 1]))
    off: NDArray[np.bool_] = np.abs((yaw - yaw_deg + 180) % 360 - 180) < _ALONG_DEG
    return off
