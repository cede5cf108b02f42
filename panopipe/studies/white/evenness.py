"""Exposure evened out over the frames of a room, from the surfaces that they share."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from panopipe.colour.spaces import Matrix
from panopipe.studies.white.matches import Pair

STAY_EV = 0.5
"""How strongly every frame is held to its own exposure: the standard deviation of the prior."""
MATCH_EV = 0.05


def even_gains(rooms: Sequence[str], pairs: Sequence[Pair], limits_ev: Sequence[float]) -> list[float]:
    """Gain in EV of each frame, so that a surface is as bright in every frame of its room.

    Parameters
    ----------
    rooms : sequence of str
        Room of each frame.
    pairs : sequence of Pair
        Frames with shared surfaces.
    limits_ev : sequence of float
        Most that each frame may be moved; 0 leaves it, and lets its neighbours come to it.

    Returns
    -------
    list of float
        The least-squares solution in EV, held within the limits.

    References
    ----------
    .. [1] M. Brown and D. G. Lowe, Automatic Panoramic Image Stitching using Invariant Features, Int. J.
       Comput. Vis. 74 (2007), 59-73, section 6 (gain compensation), here in logarithms.
    """
    count = len(rooms)
    limits = np.array(limits_ev, dtype=np.float64)
    if count == 0 or not limits.any():
        return [0.0] * count
    numbers: dict[str, list[int]] = {}
    for number, room in enumerate(rooms):
        numbers.setdefault(room, []).append(number)
    of_room: dict[str, list[Pair]] = {room: [] for room in numbers}
    for pair in pairs:
        if rooms[pair.first] == rooms[pair.second]:
            of_room[rooms[pair.first]].append(pair)
    gains = np.zeros(count)
    for room, frames in numbers.items():
        gains[frames] = _of_room(frames, of_room[room], limits[frames])
    return [float(gain) for gain in gains]


def _of_room(frames: Sequence[int], pairs: Sequence[Pair], limits: Matrix) -> Matrix:
    """Gains of the frames of one room, which is solved by itself."""
    place = {number: at for at, number in enumerate(frames)}
    free = np.where(limits > 0, STAY_EV, 1e-4)
    matrix, right = np.diag(1 / free**2), np.zeros(len(frames))
    for pair in pairs:
        weight = min(pair.shared.count, 40) / 40 / MATCH_EV**2
        difference = pair.shared.ratio[2] / np.log(2)
        at = [place[pair.first], place[pair.second]]
        matrix[np.ix_(at, at)] += weight * np.array([[1, -1], [-1, 1]])
        right[at] += weight * difference * np.array([-1, 1])
    return np.asarray(np.clip(np.linalg.solve(matrix, right), -limits, limits))
