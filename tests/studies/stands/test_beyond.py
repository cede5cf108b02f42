"""What two frames see past each other: alike where they see each other, and not else."""

import itertools

import numpy as np

from panopipe.studies.stands.around import COLUMNS, ROWS, band_around
from panopipe.studies.stands.between import Way
from panopipe.studies.stands.beyond import seen_before, seen_beyond, seen_past_each_other
from panopipe.studies.stands.matching import Ready
from tests.benchmarks.stands import bearing_deg
from tests.scenes.plan_house import CAMERA_M, sight_lines
from tests.studies.stands.test_solve import small_house


def test_the_band_turns_with_the_frame() -> None:
    light = np.random.default_rng(3).uniform(0.01, 1.0, (720, 1440)).astype(np.float32)
    band, turned = band_around(light), band_around(np.roll(light, 2 * 55, axis=1))
    assert band.shape == (ROWS, COLUMNS)
    off = np.abs(turned.astype(int) - np.roll(band, 55, axis=1))
    assert off.max() <= 1  # positions are single precision, codes are rounded


def test_frames_that_see_each_other_see_the_same_beyond() -> None:
    """The same pairs, looked at where the other frame is not, tell what chance gives."""
    house, features = small_house()
    frames = [Ready.of(one) for one in features]
    told, chance = [], []
    for i, j in sight_lines(house):
        a, b = house.stands[i], house.stands[j]
        metres = np.hypot(a.x - b.x, a.z - b.z)
        way = Way(bearing_deg(house, i, j), bearing_deg(house, j, i), float(metres / CAMERA_M))
        told.append(max(seen_beyond(frames[i], frames[j], way), seen_beyond(frames[j], frames[i], way.back)))
        for off in (65.0, 130.0, -75.0):
            elsewhere = Way(way.yaw_deg, way.back_yaw_deg + off, way.distance)
            chance.append(seen_beyond(frames[i], frames[j], elsewhere))
    assert np.median(told) > np.quantile(chance, 0.9)


def test_without_a_distance_the_right_direction_still_shows_more_than_others() -> None:
    house, features = small_house()
    frames = [Ready.of(one) for one in features]
    told, chance = [], []
    for i, j in sight_lines(house):
        ends, ways = (frames[i], frames[j]), (bearing_deg(house, i, j), bearing_deg(house, j, i))
        told.append(seen_past_each_other(*ends, *ways)[0])
        chance += [seen_past_each_other(*ends, ways[0], ways[1] + off)[0] for off in (65.0, 130.0, -75.0)]
    assert np.median(told) > np.quantile(chance, 0.9)


def test_what_is_seen_past_each_other_bears_directions_that_are_a_little_off() -> None:
    """Few matches tell a direction to a degree or two; of that much off, most is still seen."""
    house, features = small_house()
    frames = [Ready.of(one) for one in features]
    kept = []
    for i, j in sight_lines(house):
        ends, ways = (frames[i], frames[j]), (bearing_deg(house, i, j), bearing_deg(house, j, i))
        exact = seen_past_each_other(*ends, *ways)[0]
        kept.append(seen_past_each_other(*ends, ways[0] + 1.2, ways[1] - 1.2)[0] / exact)
    assert np.median(kept) > 0.85


def test_a_wall_before_the_other_frame_is_seen_by_third_frames() -> None:
    house, features = small_house()
    frames, free = [Ready.of(one) for one in features], sight_lines(house)

    def way(i: int, j: int) -> Way:
        a, b = house.stands[i], house.stands[j]
        metres = float(np.hypot(a.x - b.x, a.z - b.z))
        return Way(bearing_deg(house, i, j), bearing_deg(house, j, i), metres / CAMERA_M)

    told: dict[bool, list[float]] = {True: [], False: []}
    for i, j in itertools.permutations(range(len(frames)), 2):
        third = [
            (frames[k], way(i, k)) for k in range(len(frames)) if tuple(sorted((i, k))) in free and k != j
        ]
        beside = [(k, to) for k, to in third if abs((to.yaw_deg - way(i, j).yaw_deg + 90) % 180 - 90) > 12]
        if beside:
            told[tuple(sorted((i, j))) in free].append(seen_before(frames[i], beside, way(i, j)))
    assert np.median(told[False]) > np.median(told[True])
