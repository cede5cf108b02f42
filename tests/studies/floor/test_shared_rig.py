"""What all frames of a job share is covered in each of them, and nothing is where a frame shows no sign."""

import numpy as np
import pytest

from panopipe.studies.floor.footprint import MAP_COLUMNS, MAP_ROWS, STEP_DEG, Footprint, RingMap
from panopipe.studies.floor.outline import circle
from panopipe.studies.floor.shared_rig import with_shared

FOOT_DEG = 8.0


def ring(seed: int, *, foot: bool) -> RingMap:
    """A floor of coarse light and dark tiles of its own; a plate of one tone lies on it if asked for."""
    random = np.random.default_rng(seed)
    tiles = np.kron(random.uniform(-1.5, 0, (MAP_ROWS // 4, MAP_COLUMNS // 4)), np.ones((4, 4)))
    logs = np.repeat(tiles[..., None], 3, axis=2)
    if foot:
        logs[: round(FOOT_DEG / STEP_DEG)] = (-0.9, -0.5, -1.2)
    return RingMap(logs.astype(np.float16), np.ones((2, 63, 256), np.float16))


def own(certainty: float) -> Footprint:
    return Footprint(circle(3.0), circle(2.5), certainty)


@pytest.mark.parametrize("frames", [3, 8])
def test_a_plate_that_tiles_hide_is_covered_whole(frames: int) -> None:
    maps = [ring(seed, foot=True) for seed in range(frames)]
    for joined in with_shared([own(0.3)] * frames, maps):
        assert joined.certainty >= 0.5
        assert joined.foot.radius_deg.min() >= FOOT_DEG - STEP_DEG
        assert joined.outline.radius_deg.max() <= FOOT_DEG + 5


def test_a_frame_without_a_sign_is_left_alone() -> None:
    maps = [ring(seed, foot=True) for seed in range(5)]
    bare = own(0.02)
    assert with_shared([own(0.6)] * 4 + [bare], maps)[4] is bare


def test_floors_that_share_nothing_change_nothing() -> None:
    alone = [own(0.3)] * 5
    assert with_shared(alone, [ring(seed, foot=False) for seed in range(5)]) == alone
    assert with_shared(alone[:2], [ring(seed, foot=True) for seed in range(2)]) == alone[:2]


@pytest.mark.parametrize(("certainty", "stands"), [(0.7, False), (0.95, True)])
def test_what_one_frame_alone_shows_must_be_plain(certainty: float, stands: bool) -> None:
    frames = [own(certainty), *[own(0.02)] * 4]
    joined = with_shared(frames, [ring(seed, foot=False) for seed in range(5)])
    assert (joined[0].certainty >= 0.5) == stands
    # A person is told of it all the same.
    assert joined[0].certainty >= 0.3
