"""Normal equations in the plane of whites, and parts of them that are solved each by itself.

A job's frames hang together by what they share; the parts of a job share only its usual whites. So the frames
of each part are eliminated first, and what is left are a few equations for all.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import Matrix


@dataclass(frozen=True, slots=True)
class Terms:
    """Weights times the squares of (first factor x one unknown + second factor x another - target).

    Attributes
    ----------
    first, second : ndarray of shape (n,), dtype intp
        Numbers of the unknowns.
    factors : ndarray of shape (n, 2)
        Their factors; the second is 0 where a term holds one unknown.
    """

    first: NDArray[np.intp]
    second: NDArray[np.intp]
    factors: Matrix

    @classmethod
    def of_one(cls, unknowns: NDArray[np.intp]) -> Terms:
        """Terms of one unknown each, as it is."""
        return cls(unknowns, unknowns, np.tile([1.0, 0.0], (len(unknowns), 1)))

    @classmethod
    def of_two(cls, first: NDArray[np.intp], second: NDArray[np.intp], factor: Matrix | float) -> Terms:
        """Terms of an unknown, and a factor times another."""
        return cls(first, second, np.stack([np.ones(len(first)), np.broadcast_to(factor, len(first))], 1))

    @classmethod
    def joined(cls, terms: Sequence[Terms]) -> Terms:
        """All of them, one after another."""
        return cls(
            np.concatenate([one.first for one in terms]),
            np.concatenate([one.second for one in terms]),
            np.concatenate([one.factors for one in terms]),
        )


class Equations:
    """Normal equations of the same terms, again and again with other weights and targets, part by part.

    Parameters
    ----------
    sizes : sequence of int
        Unknowns of each part; they are numbered through. Those with higher numbers are shared by all parts.
    shared : int
        How many are.
    terms : Terms
        The first unknown of each belongs to a part.
    """

    def __init__(self, sizes: Sequence[int], shared: int, terms: Terms) -> None:
        self._sizes = np.array(sizes)
        self._counts, self._own = self._sizes + shared, int(self._sizes.sum())
        ends, starts = np.cumsum(self._sizes), np.cumsum(self._sizes) - self._sizes
        part = np.searchsorted(ends, terms.first, side="right")
        first = terms.first - starts[part]
        second = np.where(
            terms.second < self._own,
            terms.second - starts[part],
            terms.second - self._own + self._sizes[part],
        )
        count, self._squares = self._counts[part], np.cumsum(self._counts**2)
        top, self._factors = (self._squares - self._counts**2)[part], terms.factors
        pairs = [(first, first), (first, second), (second, first), (second, second)]
        self._cells = np.concatenate([top + row * count + column for row, column in pairs])
        self._ends = np.cumsum(self._counts)
        rows = np.concatenate([(self._ends - self._counts)[part] + row for row in (first, second)])
        self._rows = (2 * rows[:, None] + [0, 1]).ravel()

    def systems(self, weights: Matrix, targets: Matrix, across: Matrix, across_right: Matrix) -> list[System]:
        """Systems of the parts.

        Parameters
        ----------
        weights, targets : ndarray of shape (n,), (n, 2)
            Of each term.
        across, across_right : ndarray of shape (m, 2, 2), (m, 2)
            What else to add to the equations of each unknown that is not shared.
        """
        first, second = self._factors.T
        one, other = weights * first, weights * second
        values = np.concatenate([one * first, one * second, other * first, other * second])
        cells = np.asarray(np.bincount(self._cells, values, self._squares[-1]), np.float64)
        sides = np.concatenate([one[:, None] * targets, other[:, None] * targets]).ravel()
        right = np.asarray(np.bincount(self._rows, sides, 2 * self._ends[-1]), np.float64).reshape(-1, 2)
        parts, end = [], 0
        for size, count, square, row in zip(
            self._sizes, self._counts, self._squares, self._ends, strict=True
        ):
            system = System.of(
                cells[square - count**2 : square].reshape(count, count), right[row - count : row]
            )
            system.add_to_each(across[end : end + size], across_right[end : end + size])
            parts.append(system)
            end += size
        return parts


@dataclass(frozen=True, slots=True)
class System:
    """Normal equations of the least-squares problem, one per coordinate of the plane and coupled by it.

    Attributes
    ----------
    matrix, right : ndarray of shape (2 n, 2 n), (2 n,)
        Both coordinates of an unknown follow each other.
    """

    matrix: Matrix
    right: Matrix

    @classmethod
    def of(cls, matrix: Matrix, right: Matrix) -> System:
        """Equations (n, n) and right sides (n, 2) that are alike in both coordinates."""
        whole = np.zeros((len(matrix), 2, len(matrix), 2))
        whole[:, 0, :, 0] = whole[:, 1, :, 1] = matrix
        return cls(whole.reshape(2 * len(matrix), -1), right.reshape(-1).copy())

    def add_to_each(self, matrices: Matrix, rights: Matrix) -> None:
        """Add equations (n, 2, 2) and right sides (n, 2) of each of the first n unknowns alone."""
        each, count = np.arange(len(matrices)), len(self.right) // 2
        self.matrix.reshape(count, 2, count, 2)[each, :, each] += matrices
        self.right[: 2 * len(rights)] += rights.reshape(-1)

    def eliminated(self, kept: int) -> Eliminated:
        """Eliminate all unknowns but the last `kept`."""
        count = len(self.right) - 2 * kept
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
