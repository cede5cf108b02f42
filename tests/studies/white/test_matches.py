"""Surfaces that two frames share, on a rendered room seen from two places."""

from functools import lru_cache

import numpy as np
import pytest

from panopipe.colour.adaptation import working_adaptation
from panopipe.colour.spaces import D65_XY, xyz_from_xy
from panopipe.studies.white.cones import log_chromaticity_from_xy
from panopipe.studies.white.matches import (
    NEAR_IN_WALK,
    Features,
    Shared,
    find_features,
    match_frames,
)
from tests.scenes.camera import expose
from tests.scenes.house import small_room
from tests.scenes.raycast import render


@lru_cache
def room() -> tuple[np.ndarray, np.ndarray]:
    house = small_room()
    return tuple(
        expose(render(house, at, 512).rows, exposure_ev=-2.0, seed=n)
        for n, at in enumerate(((2.3, 1.5, 1.8), (2.9, 1.5, 2.6)))
    )  # type: ignore[return-value]


def shared_surfaces(first: np.ndarray, second: np.ndarray) -> Shared | None:
    """What two frames of one room share."""
    pairs = match_frames([find_features(first), find_features(second)], ["room", "room"])
    return pairs[0].shared if pairs else None


def test_one_room_has_one_colour_and_one_exposure() -> None:
    first, second = room()
    shared = shared_surfaces(first, second)
    assert shared is not None
    assert shared.count >= 8
    np.testing.assert_allclose(shared.ratio, (0, 0, 0), atol=0.05)


def test_another_setting_of_the_camera_is_found() -> None:
    first, second = room()
    other = (0.35, 0.36)
    matrix = working_adaptation(xyz_from_xy(other), xyz_from_xy(D65_XY))
    changed = (0.7 * second @ matrix.T).astype(np.float32)
    shared = shared_surfaces(first, changed)
    assert shared is not None
    np.testing.assert_allclose(shared.ratio[:2], log_chromaticity_from_xy(other), atol=0.05)
    assert shared.ratio[2] == pytest.approx(-np.log(0.7), abs=0.08)


def test_a_turned_frame_shares_the_same() -> None:
    first, second = room()
    shared = shared_surfaces(first, np.roll(second, 100, axis=1))
    assert shared is not None
    assert shared.count >= 8


def test_unlike_frames_share_nothing() -> None:
    first, _ = room()
    noise = np.random.default_rng(3).random((256, 512, 3), dtype=np.float32) * 0.5
    assert shared_surfaces(first, noise) is None


def test_an_empty_frame_has_no_features() -> None:
    empty = find_features(np.full((128, 256, 3), 0.3, np.float32))
    assert isinstance(empty, Features)
    assert len(empty.descriptors) == 0
    assert match_frames([empty, empty], ["a", "a"]) == []


def test_features_do_not_sit_twice_across_the_seam() -> None:
    first, _ = room()
    features = find_features(first)
    assert np.all(np.abs(np.linalg.norm(features.directions, axis=1) - 1) < 1e-6)
    assert len(np.unique(features.directions, axis=0)) >= 0.6 * len(features.directions)


def test_frames_far_apart_in_the_walk_are_of_two_houses() -> None:
    """A night's work of thousands of frames does not match each with each."""
    seen = find_features(room()[0])
    empty = Features(np.zeros((0, 128), np.uint8), np.zeros((0, 3), np.float32), np.zeros((0, 3), np.float32))
    walk = [seen, *[empty] * (NEAR_IN_WALK - 1), seen, seen]
    pairs = match_frames(walk, ["a"] * len(walk))
    assert [(pair.first, pair.second) for pair in pairs] == [
        (0, NEAR_IN_WALK),
        (NEAR_IN_WALK, NEAR_IN_WALK + 1),
    ]
