"""Which pairs of frames are worth a look: neighbours in time, and frames whose features are alike as a whole.

References
----------
.. [1] J. Sivic, A. Zisserman, Video Google: a text retrieval approach to object matching in videos, ICCV
   2003: features as words, rare words counting more.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from panopipe.studies.stands.matching import Ready

Single = NDArray[np.float32]

_WORDS = 1024
_ALIKE, _IN_TIME, ROUND_IN_TIME = 7, 3, 10
"""How many of the most alike frames, and of those before and after, each frame is looked at with; and of how
many before and after only the floor is, which is quickly done.
"""
_ALL_UP_TO = 24
"""Frames up to which every pair is looked at."""


def promising_pairs(frames: Sequence[Ready], times: Sequence[float]) -> list[tuple[int, int]]:
    """Pairs of frames by number, the smaller first.

    Parameters
    ----------
    frames : sequence of Ready
        All frames.
    times : sequence of float
        When each was taken, or its place in walking order.
    """
    count = len(frames)
    if count <= _ALL_UP_TO:
        return list(itertools.combinations(range(count), 2))
    found = neighbours_in_time(times)
    alike = likeness_of_all(frames)
    np.fill_diagonal(alike, -1)
    for number in range(count):
        for other in np.argsort(-alike[number], kind="stable")[:_ALIKE]:
            found.add((min(number, int(other)), max(number, int(other))))
    return sorted(found)


def pairs_by_floor(looked: Iterable[tuple[int, int]], times: Sequence[float]) -> list[tuple[int, int]]:
    """Pairs whose floors are compared: those that are looked at, and more of those taken near in time."""
    return sorted({*looked, *neighbours_in_time(times, ROUND_IN_TIME)})


def neighbours_in_time(times: Sequence[float], reach: int = _IN_TIME) -> set[tuple[int, int]]:
    """Frames taken one after the other, or nearly so."""
    order = sorted(range(len(times)), key=lambda number: (times[number], number))
    return {
        (min(number, other), max(number, other))
        for place, number in enumerate(order)
        for other in order[place + 1 : place + 1 + reach]
    }


def ranks(times: Sequence[float]) -> list[int]:
    """Place of each frame in the order of taking."""
    order = sorted(range(len(times)), key=lambda number: (times[number], number))
    place = {number: rank for rank, number in enumerate(order)}
    return [place[number] for number in range(len(times))]


def likeness_of_all(frames: Sequence[Ready]) -> Single:
    """How many rare features each two frames share: cosine of their weighted counts of words."""
    pool = np.concatenate([frame.units[frame.strongest] for frame in frames])
    words = pool[np.linspace(0, len(pool) - 1, min(_WORDS, len(pool))).astype(np.intp)]
    counts = np.stack([_counts(frame.units, words) for frame in frames])
    rare = np.log((1 + len(frames)) / (1 + (counts > 0).sum(axis=0)))
    weighted = np.sqrt(counts) * rare
    unit = weighted / np.maximum(np.linalg.norm(weighted, axis=1, keepdims=True), 1e-9)
    likeness: Single = (unit @ unit.T).astype(np.float32)
    return likeness


def _counts(units: Single, words: Single) -> NDArray[np.float64]:
    if not len(units) or not len(words):
        return np.zeros(max(len(words), 1))
    nearest = (units @ words.T).argmax(axis=1)
    return np.bincount(nearest, minlength=len(words)).astype(np.float64)
