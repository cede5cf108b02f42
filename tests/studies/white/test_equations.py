"""Frames of parts that share only a few unknowns are solved as one system would solve them."""

import numpy as np
import pytest

from panopipe.studies.white.equations import System, connected

RANDOM = np.random.default_rng(3)
KEPT = 3


def filled(system: System, places: list[int], others: list[int]) -> None:
    """Add residuals among some unknowns, and between them and the others."""
    for i in places:
        system.add([(i, 1.0)], RANDOM.random(2), RANDOM.random() + 0.1)
        for j in places[:i]:
            system.add([(i, 1.0), (j, -1.0)], RANDOM.random(2), RANDOM.random())
        system.add([(i, 1.0), (int(RANDOM.choice(others)), 0.7)], RANDOM.random(2), RANDOM.random())
        system.add_across(i, RANDOM.standard_normal(2), RANDOM.random(), 0.5)


def test_parts_are_solved_as_the_whole() -> None:
    """As numpy solves all equations at once, and inverts them."""
    sizes = (4, 1, 6)
    parts = [System(size + KEPT) for size in sizes]
    for part, size in zip(parts, sizes, strict=True):
        filled(part, list(range(size)), list(range(size, size + KEPT)))
    whole = np.zeros((2 * (sum(sizes) + KEPT),) * 2)
    right, first = np.zeros(len(whole)), 0
    last = np.arange(len(whole) - 2 * KEPT, len(whole))
    whole[last, last] += 1.0
    for part, size in zip(parts, sizes, strict=True):
        at = np.concatenate([np.arange(2 * first, 2 * (first + size)), last])
        whole[np.ix_(at, at)] += part.matrix
        right[at] += part.right
        first += size
    wanted, covariance = np.linalg.solve(whole, right).reshape(-1, 2), np.linalg.inv(whole)

    eliminated = [part.eliminated(KEPT) for part in parts]
    matrix = np.eye(2 * KEPT) + sum(one.matrix for one in eliminated)
    others = np.linalg.solve(matrix, sum(one.right for one in eliminated)).reshape(-1, 2)
    found = np.concatenate([one.at(others) for one in eliminated])
    covariances = np.concatenate([one.covariances(np.linalg.inv(matrix)) for one in eliminated])
    assert np.allclose(np.concatenate([found, others]), wanted, rtol=1e-9)
    for i, own in enumerate(covariances):
        assert np.allclose(own, covariance[2 * i : 2 * i + 2, 2 * i : 2 * i + 2], rtol=1e-9)


@pytest.mark.parametrize(
    ("ties", "groups"),
    [
        ([], [[0], [1], [2], [3], [4]]),
        ([(3, 1), (1, 0)], [[0, 1, 3], [2], [4]]),
        ([(0, 4), (1, 2), (2, 4)], [[0, 1, 2, 4], [3]]),
    ],
)
def test_ties_hold_groups_together(ties: list[tuple[int, int]], groups: list[list[int]]) -> None:
    assert connected(5, ties) == groups
