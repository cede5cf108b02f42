"""Which spheres show one stand, by time, by strips, and by whole spheres in the end."""

import numpy as np

from panopipe.studies.takes.stands import LONGEST_S, Stand, likeness, linked, profile, stands, strip_rows

STRIPS = np.random.default_rng(1).uniform(0.1, 1, (4, 3, 4, 1024, 3)).astype(np.float32)


def profiles(*places: int) -> list[np.ndarray]:
    return [profile(list(STRIPS[place])) for place in places]


def test_strips_lie_at_their_pitch() -> None:
    first, last = strip_rows(1800)[1]  # ten rows a degree: two degrees up, a degree and a half high
    assert (first + last) / 2 == 900 - 20
    assert last - first == 16  # an even number of rows next to 15


def test_a_profile_finds_itself_again_turned_and_brighter() -> None:
    one = profile(list(STRIPS[0]))
    other = profile([3 * np.roll(strip, 200, axis=1) for strip in STRIPS[0]])
    assert likeness(one, other) > 0.99
    assert likeness(one, profile(list(STRIPS[1]))) < 0.3


def test_only_neighbours_in_time_are_asked() -> None:
    assert linked([0.0, 60.0, 120.0, 180.0]) == [(0, 1), (0, 2), (1, 2), (1, 3), (2, 3)]
    assert linked([0.0, LONGEST_S + 1]) == []
    assert linked([100.0, 0.0]) == [(1, 0)]


def test_names_stand_for_times_that_are_missing() -> None:
    assert linked([None, 5.0]) == [(0, 1)]


def test_whole_spheres_decide_and_doubt_is_told() -> None:
    agreed = {(0, 1): 0.9, (0, 2): 0.5, (1, 2): 0.5}
    found, unsure = stands([0.0, 1.0, 2.0, 3.0], profiles(0, 0, 0, 1), lambda *pair: agreed[pair])
    assert found == [Stand((0, 1))]
    assert unsure == [(0, 2), (1, 2)]


def test_a_stand_between_two_takes_of_another_does_not_part_them() -> None:
    found, unsure = stands([0.0, 60.0, 120.0], profiles(0, 1, 0), lambda *_: 0.9)
    assert found == [Stand((0, 2))]
    assert unsure == []


def test_what_cannot_be_read_is_left_alone() -> None:
    assert stands([0.0, 1.0], [None, *profiles(0)], lambda *_: 1.0) == ([], [])
