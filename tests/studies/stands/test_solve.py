"""Where frames stood, on rendered houses of known plan."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from panopipe.studies.stands.features import Features, find_features, walls_heading
from panopipe.studies.stands.floor import FloorShift, floor_shifts
from panopipe.studies.stands.links import proven
from panopipe.studies.stands.matching import Ready
from panopipe.studies.stands.pair import Pair, look_hard
from panopipe.studies.stands.promising import promising_pairs
from panopipe.studies.stands.sight import known_points, seen_again
from panopipe.studies.stands.solve import Shoot, one_room, only_seen_past, solve_shoot
from panopipe.studies.stands.twins import may_be_linked
from tests.benchmarks.stands import bearing_deg, score
from tests.scenes.plan_house import random_house, sight_lines
from tests.scenes.plan_render import PlanHouse, Room, Stand, Surface, render


@lru_cache
def small_house() -> tuple[PlanHouse, tuple[Features, ...]]:
    house = random_house(4, 7)
    return house, tuple(find_features(render(house, stand)) for stand in house.stands)


@lru_cache
def solved() -> tuple[PlanHouse, Shoot]:
    house, features = small_house()
    return house, solve_shoot(features, [stand.taken_s for stand in house.stands])


def test_no_link_of_a_small_house_is_wrong_and_rooms_hang_together() -> None:
    house, shoot = solved()
    found = score(house, shoot)
    assert not found.wrong
    part, room = shoot.plan.part, [stand.room for stand in house.stands]
    together = [part[i] == part[j] >= 0 for i, j in sight_lines(house) if room[i] == room[j]]
    assert np.mean(together) >= 0.75


def test_directions_and_distances_of_a_small_house() -> None:
    """The bars of what a viewer needs: to walk the right way, 1.5 degrees; metres for a plan, 10 %."""
    found = score(*solved())
    assert np.median(found.yaw_deg) < 1.5
    assert np.median(found.distance_share) < 0.1
    assert np.median(found.heading_deg) < 1.0


def test_frames_taken_in_a_row_are_one_room_where_the_floor_beside_them_half_agrees() -> None:
    """The same two frames: taken one right after the other, they need less to be in one room."""
    house, features = small_house()
    frames = [Ready.of(one) for one in features]
    plan = solved()[1].plan
    ends = [(i, j) for i, j in sight_lines(house) if house.stands[i].room == house.stands[j].room]
    ways = [(frames[i], frames[j], plan.way(i, j)) for i, j in ends if plan.part[i] == plan.part[j] >= 0]
    apart, in_a_row = ([one_room(*way, None, in_a_row=near) for way in ways] for near in (False, True))
    assert all(now >= before for before, now in zip(apart, in_a_row, strict=True))
    assert np.mean(in_a_row) >= 0.75


def test_of_two_motions_with_matches_enough_the_one_seen_past_is_believed() -> None:
    """Rooms repeat themselves: a wrong motion is given more matches than the right one has."""
    house, features = small_house()
    frames = [Ready.of(one) for one in features]
    believed = 0
    for i, j in sight_lines(house):
        right = look_hard(i, j, frames[i], frames[j], floor_shifts(frames[i].floor, frames[j].floor))[:1]
        wrong = [replace(one, back_yaw_deg=one.back_yaw_deg + 90.0, telling=2 * one.telling) for one in right]
        told = only_seen_past(frames, [*wrong, *right])
        believed += told is not None
        assert told is None or abs((told.yaw_deg - bearing_deg(house, i, j) + 180) % 360 - 180) < 5.0
    assert believed


def test_features_lie_where_they_are_seen() -> None:
    """Round dots of known place, to a fifth of a view's pixel, 0.1 degrees; one is cut by a view's edge."""
    yaw, pitch = np.radians([[-120.0, -35.0, 20.0, 75.0, 160.0], [10.0, -15.0, 5.0, -8.0, 18.0]])
    rows, columns = np.mgrid[:512, :1024]
    at_yaw, at_pitch = (columns + 0.5) * (2 * np.pi / 1024) - np.pi, np.pi / 2 - (rows + 0.5) * (np.pi / 512)
    seen = np.stack(
        [np.sin(at_yaw) * np.cos(at_pitch), np.sin(at_pitch), np.cos(at_yaw) * np.cos(at_pitch)], -1
    )
    dots = np.stack([np.sin(yaw) * np.cos(pitch), np.sin(pitch), np.cos(yaw) * np.cos(pitch)], axis=-1)
    near = np.exp((seen @ dots.T - 1) / np.radians(1.2) ** 2).sum(axis=-1)
    light = np.repeat((0.2 + 0.5 * near)[..., None], 3, axis=2).astype(np.float32)
    cosine = (find_features(light).directions @ dots.T).max(axis=0)
    assert np.sort(np.degrees(np.arccos(np.minimum(cosine, 1.0))))[3] < 0.1


def test_frames_taken_in_a_row_are_believed_where_walls_and_floor_tell_one_motion() -> None:
    """Half of what two frames need that were taken at any time, but never the walls or the floor alone."""
    floor = FloorShift(0, 170.0, 1.2, sure=5.0, rival=4.0)
    none = np.zeros((0, 3)), np.zeros((0, 2), np.intp)
    pair = Pair(0, 1, 0.0, -10.0, 170.0, 0.5, 0.5, 12.0, 0, 3, floor, 0, *none)
    assert proven(pair, in_a_row=True) and not proven(pair)
    unclear = replace(floor, sure=4.0)
    assert not any(
        proven(one, in_a_row=True)
        for one in (replace(pair, telling=4.0), replace(pair, floor=None), replace(pair, floor=unclear))
    )


def test_frames_taken_long_after_each_other_are_not_believed_by_a_floor_of_many_rooms() -> None:
    """One floor lies in many rooms of a house: then the walls must say enough by themselves."""
    none = np.zeros((0, 3)), np.zeros((0, 2), np.intp)
    floor = FloorShift(0, 170.0, 1.8, sure=9.2, rival=4.0)
    pair = Pair(0, 30, 0.0, -10.0, 170.0, 0.5, 0.5, 11.0, 0, 4, floor, 0, *none)
    assert proven(pair) and not proven(pair, long_after=True)
    assert proven(replace(pair, telling=20.0), long_after=True)


def test_only_in_one_room_do_two_frames_share_much_beside_their_line() -> None:
    """A wall with a door of 0.9 m between two stands, at 1.5 m a camera height; the same without the wall."""
    rng = np.random.default_rng(5)
    points = np.stack([rng.uniform(-1.5, 1.5, 400), np.zeros(400), rng.uniform(-1.5, 2.5, 400)], axis=1)
    first, second = np.zeros(2), np.array((0.0, 1.0))
    at_wall = 0.5

    def through_door(end: np.ndarray) -> np.ndarray:
        way = points[:, ::2] - end
        same_side = (points[:, 2] < at_wall) == (end[1] < at_wall)
        return same_side | (np.abs(way[:, 0] / way[:, 1] * (at_wall - end[1])) < 0.3 * at_wall / 0.5)

    def shared(seen: np.ndarray) -> int:
        matched = np.zeros((int(seen.sum()), 2), np.intp)
        return Pair(0, 1, 0.0, 0.0, 180.0, 0.5, 0.5, 1.0, 0, 4, None, 0, points[seen], matched).aside

    assert shared(np.ones(400, bool)) > 30
    assert shared(through_door(first) & through_door(second)) == 0


def test_the_order_of_frames_does_not_matter() -> None:
    house, shoot = solved()
    _, features = small_house()
    back = solve_shoot(features[::-1], [stand.taken_s for stand in house.stands[::-1]])
    last = len(features) - 1
    pairs = {(min(last - k.first, last - k.second), max(last - k.first, last - k.second)) for k in back.links}
    assert pairs == {(k.first, k.second) for k in shoot.links}


def test_a_frame_sees_again_of_many_what_it_sees_of_each() -> None:
    _, shoot = solved()
    frames = [Ready.of(one) for one in small_house()[1]]
    known = known_points(len(frames), shoot.shared, shoot.plan)
    for i in range(len(frames)):
        others = [j for j in range(len(frames)) if j != i]
        singly = [seen_again(frames, known, shoot.plan, i, [j]) for j in others]
        together = seen_again(frames, known, shoot.plan, i, others)
        assert sorted(together.index) == sorted(np.concatenate([one.index for one in singly]))
        # Rays are compared in single precision.
        assert together.worth.sum() == pytest.approx(sum(one.worth.sum() for one in singly), rel=1e-5)


def test_an_empty_white_room_places_nobody() -> None:
    white = Surface((0.8, 0.8, 0.8), "plaster", 0.0)
    room = Room((0.0, 0.0, 0.0), (5.0, 2.6, 4.0), white, white, white)
    stands = (Stand(0, 1.5, 1.5, 30.0), Stand(0, 3.4, 2.2, 200.0), Stand(0, 2.0, 3.0, 100.0))
    house = PlanHouse((room,), stands)
    shoot = solve_shoot([find_features(render(house, stand)) for stand in stands], [0.0, 60.0, 120.0])
    assert shoot.links == ()


@pytest.mark.parametrize("turn", [0, 100, 333])
def test_the_heading_of_the_walls_turns_with_the_frame(turn: int) -> None:
    house, _ = small_house()
    light = render(house, house.stands[0]).mean(axis=2)
    heading, clear = walls_heading(np.roll(light, turn, axis=1))
    told = heading + house.stands[0].heading_deg - turn * 360 / 1024
    assert clear > 2.4
    assert abs((told + 45) % 90 - 45) < 2.0  # half-degree bins, and walls' trim and furniture pull a little


def test_a_frame_without_any_structure_has_no_features() -> None:
    flat = find_features(np.full((512, 1024, 3), 0.5, np.float32))
    assert flat.directions.shape == (0, 3) and not flat.floor.any()


def test_of_many_frames_each_is_looked_at_with_few() -> None:
    """Five hundred frames have 125 thousand pairs: each frame is looked at with a handful."""
    _, features = small_house()
    frames = [Ready.of(features[k % len(features)]) for k in range(40)]
    pairs = promising_pairs(frames, list(range(40)))
    assert len(pairs) < 40 * 11
    assert all((k, k + 1) in pairs for k in range(39))


def room_pair(first: int, second: int) -> Pair:
    """A proven pair of frames that share what is all around them."""
    none = np.zeros((0, 3)), np.zeros((0, 2), np.intp)
    return Pair(first, second, 0.0, 0.0, 180.0, 0.1, 0.1, 80.0, 0, 7, None, 0, *none)


def test_floors_that_are_alike_are_not_linked() -> None:
    """Two rooms, left and come back to across one moment: frames 0 to 3 of one floor, 4 to 7 of another."""
    pairs = [
        room_pair(0, 1),
        room_pair(2, 3),
        room_pair(0, 4),
        room_pair(4, 5),
        room_pair(2, 6),
        room_pair(6, 7),
    ]
    may = may_be_linked(8, pairs, list(range(8)), [""] * 8)
    assert may(0, 1) and may(2, 3) and may(4, 6)
    assert not may(0, 4) and not may(3, 7)


def test_a_hall_may_be_come_back_to() -> None:
    """One room that is left and entered again is what a walk through a house looks like."""
    pairs = [room_pair(0, 3), room_pair(3, 6), room_pair(1, 2), room_pair(4, 5)]
    may = may_be_linked(7, pairs, list(range(7)), [""] * 7)
    assert all(may(i, j) for i in range(7) for j in range(i))


def test_two_rooms_of_two_names_shot_apart_are_two() -> None:
    names = ["bunk one"] * 2 + ["hall"] * 6 + ["bunk two"] * 2
    may = may_be_linked(10, [room_pair(0, 9), room_pair(0, 1)], list(range(10)), names)
    assert not may(0, 9) and may(0, 1)
