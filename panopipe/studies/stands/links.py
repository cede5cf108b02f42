"""Which pairs are believed: each by itself, then by what others say of it.

Many matches prove nothing by themselves: doors, chairs and wallpapers come again. A pair is believed at once
only if walls and floor, independently, tell one motion. Others need company: a closed triangle, or the plan
that is known already.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from panopipe.studies.stands.motion import wrapped
from panopipe.studies.stands.pair import Pair

_TELLING, _FLOOR, _TOGETHER, _SECTORS = 9.0, 6, 26.0, 3
"""What a pair must have to be believed by itself: what its matches around are worth, matches of the floor,
the one and twice the other together, and eighths of the horizon that they lie in."""
_MANY, _MANY_SECTORS = 60.0, 5
"""The same where the floor is silent: by chance, none was seen above 50."""
_APART = 0.45
"""Camera heights that two frames are apart at least; false motions are mostly short."""
_NEAR, _NEAR_FLOOR, _NEAR_TELLING = 0.9, 7.0, 25.0
"""Frames nearer than so many camera heights share much: what they must have then."""
_IN_ONE_ROOM = 14.0
"""The same where both stand in one room by the photographer's own word."""
_ROW_TELLING, _ROW_SECTORS = 10.0, 2
"""What matches must say of frames taken one right after the other where the floor agrees: such frames mostly
see each other. In 38 generated houses all 65 that had so much and were not believed otherwise were right; of
frames with one more in between, three of 58 were not."""
_LONG_AFTER = 14.0
"""What matches must say of frames not taken soon after each other, whatever the floor says: one floor may lie
in many rooms. Of 548 pairs of 15 generated houses (the benchmark's 602 to 615 and 701) ten such had less, and
of those one was wrong, a quarter turn off: matches said 12.7, floors agreed by 9.4 standard deviations."""
_TURN_DEG = 2.5
"""Closure of a triangle of turns."""


def proven(
    pair: Pair, *, in_one_room: bool = False, in_a_row: bool = False, long_after: bool = False
) -> bool:
    """Whether a pair is believed by itself.

    That folders put both into one room is a word for it, and so is that they were taken in a row; that one
    was taken long after the other is one against it.
    """
    if in_one_room and pair.sectors >= _SECTORS and pair.telling >= max(_IN_ONE_ROOM, 1.3 * pair.rival):
        return True
    if in_a_row and _agrees_in_a_row(pair):
        return True
    if pair.sectors < _SECTORS or pair.telling < max(1.5 * pair.rival, _LONG_AFTER * long_after):
        return False
    if pair.floor_agrees and pair.floor is not None and pair.floor.distance >= _APART:
        if pair.floor.distance < _NEAR and (pair.floor.sure < _NEAR_FLOOR or pair.telling < _NEAR_TELLING):
            return False
        both = pair.telling + 2 * pair.floor.sure
        return pair.telling >= _TELLING and pair.floor.sure >= _FLOOR and both >= _TOGETHER
    return pair.telling >= _MANY and pair.sectors >= _MANY_SECTORS


def _agrees_in_a_row(pair: Pair) -> bool:
    """Whether walls and floor tell one motion of two frames that were taken one right after the other."""
    if not pair.floor_agrees or pair.floor is None or pair.floor.distance < _APART:
        return False
    return pair.sectors >= _ROW_SECTORS and pair.telling >= max(_ROW_TELLING, 1.05 * pair.rival)


def without_contradiction(links: Sequence[Pair]) -> tuple[list[Pair], list[Pair]]:
    """Links that triangles speak for rather than against, and those that are dropped."""
    kept = list(links)
    dropped: list[Pair] = []
    while True:
        votes = _triangle_votes(kept)
        worst = min(kept, key=lambda link: votes[link.first, link.second], default=None)
        if worst is None or votes[worst.first, worst.second] >= 0:
            return kept, dropped
        kept.remove(worst)
        dropped.append(worst)


def _turns(links: Sequence[Pair]) -> dict[tuple[int, int], float]:
    turns = {}
    for link in links:
        turns[link.first, link.second] = link.turn_deg
        turns[link.second, link.first] = -link.turn_deg
    return turns


def _triangle_votes(links: Sequence[Pair]) -> dict[tuple[int, int], int]:
    """For each link, the triangles that close less twice those that do not."""
    turns = _turns(links)
    near: dict[int, set[int]] = defaultdict(set)
    for i, j in turns:
        near[i].add(j)
    votes: dict[tuple[int, int], int] = {}
    for link in links:
        i, j = link.first, link.second
        total = 0
        for k in near[i] & near[j]:
            closes = abs(wrapped(turns[i, k] + turns[k, j] - turns[i, j])) < 2 * _TURN_DEG
            total += 1 if closes else -2
        votes[i, j] = total
    return votes
