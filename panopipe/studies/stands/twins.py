"""Rooms that look the same and may be two: geometry alone cannot tell them from one room.

What can: whole floors that are alike are shot one after the other. Where several rooms were each left and
come back to, all across one moment, the frames before and after it are not linked, and that is said. And two
rooms of two names, shot apart, are two.

References
----------
.. [1] R. Roberts, S. Sinha, R. Szeliski, D. Steedly, Structure from motion for scenes with large duplicate
   structures, CVPR 2011: with duplicates geometry alone cannot decide; the order of taking helps.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence

import numpy as np

from panopipe.studies.stands.pair import Pair
from panopipe.studies.stands.plan import parts_of
from panopipe.studies.stands.promising import ranks

_ROOMS = 2
"""Rooms that must be come back to across one moment: one is the hall through which one walks."""

ALIKE = (
    "It looks like {other}, taken at another time: these may be two rooms that are alike, so no link is made."
)


def may_be_linked(
    count: int, rooms_pairs: Sequence[Pair], times: Sequence[float], names: Sequence[str]
) -> Callable[[int, int], bool]:
    """Which two frames may be linked at all.

    Parameters
    ----------
    count : int
        Frames.
    rooms_pairs : sequence of Pair
        Proven pairs that share what is all around them, as frames of one room do.
    times : sequence of float
        When each frame was taken.
    names : sequence of str
        Rooms as the photographer named them, empty where nobody did.
    """
    rank = np.array(ranks(times))
    room = parts_of(count, [pair.ends for pair in rooms_pairs])
    moment = _common_moment(rank, room)
    apart = {frozenset((p.first, p.second)) for p in rooms_pairs if _of_two_names(p, rank, names)}

    def may(i: int, j: int) -> bool:
        across = moment is not None and (rank[i] < moment) != (rank[j] < moment)
        return not across and frozenset((i, j)) not in apart

    return may


def _common_moment(rank: np.ndarray, room: np.ndarray) -> int | None:
    """Rank before which several rooms were left that are come back to from it on; None if there is none."""
    left = np.zeros(len(rank) + 1, np.intp)
    for number in range(int(room.max(initial=-1)) + 1):
        ranks = np.sort(rank[room == number])
        for before, after in itertools.pairwise(ranks):
            if after - before > 1:
                left[before + 1 : after + 1] += 1
    return int(left.argmax()) if left.max() >= _ROOMS else None


def _of_two_names(pair: Pair, rank: np.ndarray, names: Sequence[str]) -> bool:
    """Whether a pair of one room has two names, and others were shot in between."""
    if not names or not names[pair.first] or not names[pair.second]:
        return False
    return (
        names[pair.first] != names[pair.second] and abs(int(rank[pair.first] - rank[pair.second])) > _IN_A_ROW
    )


_IN_A_ROW = 4
"""Frames of an open plan with two names are shot one soon after the other."""
