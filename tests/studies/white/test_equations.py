"""Frames of parts that share only a few unknowns are solved as one system would solve them."""

import numpy as np
import pytest

from panopipe.studies.white.equations import Equations, Terms, connected

RANDOM = np.random.default_rng(3)
KEPT = 3


def some_terms(places: list[int], others: list[int]) -> list[Terms]:
    """Residuals of unknowns, among some of them, and between them and the others."""
    pairs = np.array([(i, j) for i in places for j in places if j < i], np.intp).reshape(-1, 2)
    every = np.array(places)
    to_others = RANDOM.choice(others, len(places))
    return [Terms.of_one(every), Terms.of_two(*pairs.T, -1.0), Terms.of_two(every, to_others, 0.7)]


def test_parts_are_solved_as_the_whole() -> None:
    """As numpy solves all equations at once, and inverts them."""
    sizes, own = (4, 1, 6), 11
    starts, others = (0, 4, 5), list(range(own, own + KEPT))
    some = [some_terms(list(range(at, at + size)), others) for at, size in zip(starts, sizes, strict=True)]
    terms = Terms.joined([one for of_part in some for one in of_part])
    count = len(terms.first)
    weights, targets = RANDOM.random(count) + 0.1, RANDOM.random((count, 2))
    normals, right_across = RANDOM.standard_normal((own, 2)), RANDOM.random((own, 2))
    across = normals[:, :, None] * normals[:, None]

    rows = np.zeros((count, own + KEPT))
    rows[np.arange(count), terms.first] += terms.factors[:, 0]
    rows[np.arange(count), terms.second] += terms.factors[:, 1]
    whole = np.kron(rows.T @ (weights[:, None] * rows), np.eye(2))
    right = (rows.T @ (weights[:, None] * targets)).ravel()
    whole[2 * own :, 2 * own :] += np.eye(2 * KEPT)
    for i in range(own):
        whole[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] += across[i]
    right[: 2 * own] += right_across.ravel()
    wanted, covariance = np.linalg.solve(whole, right).reshape(-1, 2), np.linalg.inv(whole)

    systems = Equations(sizes, KEPT, terms).systems(weights, targets, across, right_across)
    eliminated = [system.eliminated(KEPT) for system in systems]
    matrix = np.eye(2 * KEPT) + sum(one.matrix for one in eliminated)
    shared = np.linalg.solve(matrix, sum(one.right for one in eliminated)).reshape(-1, 2)
    found = np.concatenate([one.at(shared) for one in eliminated])
    covariances = np.concatenate([one.covariances(np.linalg.inv(matrix)) for one in eliminated])
    assert np.allclose(np.concatenate([found, shared]), wanted, rtol=1e-9)
    for i, each in enumerate(covariances):
        assert np.allclose(each, covariance[2 * i : 2 * i + 2, 2 * i : 2 * i + 2], rtol=1e-9)


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
