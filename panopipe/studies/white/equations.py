"""Normal equations in the plane of whites, and parts of them that are solved each by itself.

A job's frames hang together by what they share; the parts of a job share only its usual whites. So the frames
of each part are eliminated first, and what is left are a few equations for all.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from panopipe.colour.spaces import Matrix


@dataclass
class System:
    """Normal equations of the least-squares problem, one per coordinate of the plane and coupled by it."""

    count: int
    matrix: Matrix = field(init=False)
    right: Matrix = field(init=False)

    def __post_init__(self) -> None:
        self.matrix = np.zeros((2 * self.count, 2 * self.count))
        self.right = np.zeros(2 * self.count)

    def add(self, terms: Sequence[tuple[int, float]], target: Matrix, weight: float) -> None:
        """Add weight times the square of (sum of factor x unknown - target) in both coordinates."""
        for i, a in terms:
            self.right[2 * i] += weight * a * target[0]
            self.right[2 * i + 1] += weight * a * target[1]
            for j, b in terms:
                self.matrix[2 * i, 2 * j] += weight * a * b
                self.matrix[2 * i + 1, 2 * j + 1] += weight * a * b

    def add_across(self, i: int, normal: Matrix, target: float, weight: float) -> None:
        """Add weight times the square of (normal . unknown - target)."""
        at = slice(2 * i, 2 * i + 2)
        self.matrix[at, at] += weight * np.outer(normal, normal)
        self.right[at] += weight * target * normal

    def eliminated(self, kept: int) -> Eliminated:
        """Eliminate all unknowns but the last `kept`."""
        count = 2 * (self.count - kept)
        within, across = self.matrix[:count, :count], self.matrix[:count, count:]
        inverse = np.asarray(np.linalg.inv(within), dtype=np.float64)
        follow, places = inverse @ across, inverse @ self.right[:count]
        return Eliminated(
            self.matrix[count:, count:] - across.T @ follow,
            self.right[count:] - across.T @ places,
            places,
            follow,
            inverse,
        )


@dataclass(frozen=True, slots=True)
class Eliminated:
    """Equations with their first unknowns eliminated.

    Attributes
    ----------
    matrix, right : ndarray of shape (2 kept, 2 kept), (2 kept,)
        What is left for the others.
    places, follow : ndarray of shape (2 n,), (2 n, 2 kept)
        What was eliminated where the others are zero, and how much it falls with each.
    inverse : ndarray of shape (2 n, 2 n)
        Covariance of what was eliminated if the others were known.
    """

    matrix: Matrix
    right: Matrix
    places: Matrix
    follow: Matrix
    inverse: Matrix

    def at(self, others: Matrix) -> Matrix:
        """What was eliminated, shape (n, 2), once the others are known."""
        return np.asarray(self.places - self.follow @ others.ravel()).reshape(-1, 2)

    def covariances(self, of_others: Matrix) -> Matrix:
        """Covariances of what was eliminated, shape (n, 2, 2), with what those of the others add."""
        count = len(self.places) // 2
        own = self.inverse.reshape(count, 2, count, 2)[np.arange(count), :, np.arange(count)]
        follow = self.follow.reshape(count, 2, -1)
        return np.asarray(own + follow @ of_others @ follow.transpose(0, 2, 1))


def connected(count: int, ties: Iterable[tuple[int, int]]) -> list[list[int]]:
    """Numbers up to `count` in groups that ties hold together, each in rising order."""
    leader = list(range(count))

    def first(i: int) -> int:
        while leader[i] != i:
            leader[i] = leader[leader[i]]
            i = leader[i]
        return i

    for i, j in ties:
        low, high = sorted((first(i), first(j)))
        leader[high] = low
    groups: dict[int, list[int]] = {}
    for i in range(count):
        groups.setdefault(first(i), []).append(i)
    return list(groups.values())
