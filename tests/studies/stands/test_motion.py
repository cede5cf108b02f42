"""The motion of a pair: the essential matrix's two unknowns, votes and refinement."""

import numpy as np
import pytest

from panopipe.studies.stands.motion import ALL_TURNS, depths, refined, turned, voted, wrapped


def scene(
    rng: np.random.Generator, turn_deg: float, shift: tuple[float, float], count: int = 60
) -> tuple[np.ndarray, np.ndarray]:
    """Directions of points around a first camera and from a second, which sees the first at `shift`."""
    points = rng.uniform(-4, 4, (count, 3)) * (1, 0.4, 1)
    points = points[np.hypot(points[:, 0], points[:, 2]) > 0.8]
    moved = turned(points, turn_deg) + np.array([shift[0], 0.0, shift[1]])
    unit = [p / np.linalg.norm(p, axis=1, keepdims=True) for p in (points, moved)]
    return unit[0], unit[1]


def test_a_point_and_its_two_rays_lie_in_one_plane() -> None:
    """Worked by hand: turn 30 degrees, shift (0.8, 0, 0.6), point (1, -0.5, 2)."""
    point = np.array([[1.0, -0.5, 2.0]])
    ray = turned(point, 30.0) + np.array([0.8, 0.0, 0.6])
    first, second = point / np.linalg.norm(point), ray / np.linalg.norm(ray)
    np.testing.assert_allclose(first[0], (0.4364, -0.2182, 0.8729), atol=1e-4)
    shift = np.array([0.8, 0.0, 0.6])
    across = np.cross(shift, turned(first, 30.0)[0])
    assert abs(float(second[0] @ across)) < 1e-12
    near, far, _ = depths(first, second, 30.0, float(np.degrees(np.arctan2(0.8, 0.6))))
    np.testing.assert_allclose(near, np.linalg.norm(point), rtol=1e-9)
    np.testing.assert_allclose(far, np.linalg.norm(ray), rtol=1e-9)


@pytest.mark.parametrize("turn_deg", [-137.0, 12.5, 91.0])
def test_votes_find_the_motion_among_false_matches(turn_deg: float) -> None:
    rng = np.random.default_rng(3)
    a, b = scene(rng, turn_deg, (1.1, -0.7))
    wrong = rng.permutation(len(b))[: len(b) // 2]
    b[wrong] = b[rng.permutation(wrong)]
    _, turn, back = voted(a, b, ALL_TURNS)[0]
    found = refined(a, b, turn, back)
    assert found is not None
    # Exact rays: what is left is the pull of false matches that happen to lie near the plane.
    assert abs(wrapped(found.turn_deg - turn_deg)) < 0.3
    assert abs(wrapped(found.back_yaw_deg - np.degrees(np.arctan2(1.1, -0.7)))) < 0.5
    assert found.agrees.sum() >= len(a) // 2


def test_each_sees_the_other_where_the_turn_says() -> None:
    a, b = scene(np.random.default_rng(5), 40.0, (0.0, 1.0))
    found = refined(a, b, 39.0, 2.0)
    assert found is not None
    # The second sees the first dead ahead; the first sees it behind itself, turned back by the turn.
    assert wrapped(found.yaw_deg - 140.0) == pytest.approx(0, abs=0.1)
