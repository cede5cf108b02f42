"""Parts of a plan that are joined: how much must speak for a place, and who tells it."""

from dataclasses import replace

import numpy as np

from panopipe.studies.stands.bridges import Judged, is_sure
from panopipe.studies.stands.floor import FloorShift
from panopipe.studies.stands.plan import Plan
from panopipe.studies.stands.proposals import Proposal

NOWHERE = Plan(np.zeros(4), np.zeros((4, 2)), np.zeros(4, np.intp))
SHIFT = FloorShift(0, 170.0, 1.2, sure=4.4)


def judged(*, apart: int, support: float = 2.0, walls: float = 9.0, against: float = 0.0) -> Judged:
    """A place that the floors of two pairs of frames tell."""
    told = ((0, 2, SHIFT), (1, 3, SHIFT))
    return Judged(Proposal(NOWHERE, told, support), walls, 0.0, against, support + walls - against, apart)


def test_frames_taken_right_after_each_other_join_rooms_with_less() -> None:
    soon, later = (judged(apart=apart, support=4.0) for apart in (1, 3))
    assert is_sure(soon, [soon.proposal], 2.0)
    assert not is_sure(later, [later.proposal], 2.0)
    much = judged(apart=9, support=7.5)
    assert is_sure(much, [much.proposal], 2.0)


def test_no_place_is_believed_that_another_nearly_equals() -> None:
    for apart in (1, 9):
        one = judged(apart=apart, support=5.0)
        assert not is_sure(one, [one.proposal], 0.6 * one.worth)


def test_walls_in_the_way_ask_for_more_even_of_frames_taken_right_after_each_other() -> None:
    one = judged(apart=1, against=2.0)
    assert not is_sure(one, [one.proposal], 0.0)
    more = judged(apart=1, support=9.0, against=2.0)
    assert is_sure(more, [more.proposal], 0.0)


def test_no_floor_of_tiles_outweighs_the_walls_in_the_way() -> None:
    """A house of two rooms with one kind of tiles: floors said 212 of a wrong place, walls 31 against it."""
    one = judged(apart=4, support=211.9, walls=8.3, against=31.2)
    assert not is_sure(one, [one.proposal], 87.1)


def test_one_floor_in_two_rooms_does_not_join_them() -> None:
    """A house with the same tiles in two rooms: floors said 82 of a wrong place, walls next to nothing."""
    one = judged(apart=3, support=81.7, walls=2.0)
    assert not is_sure(one, [one.proposal], 0.2)
    seconded = judged(apart=3, support=81.7, walls=3.0)
    assert is_sure(seconded, [seconded.proposal], 0.2)


def test_much_speaks_for_places_of_frames_taken_long_after_each_other() -> None:
    """A house whose rooms are alike was joined wrongly with 14.9 in all, a quarter turn off."""
    one = replace(judged(apart=6, support=3.0), beyond=2.9, worth=14.9)
    assert not is_sure(one, [one.proposal], 1.4)
    assert not is_sure(replace(one, apart=4), [one.proposal], 1.4)
    soon = replace(one, apart=2)
    assert is_sure(soon, [soon.proposal], 1.4)


def test_one_pair_alone_does_not_make_frames_of_a_row_enough() -> None:
    one = replace(judged(apart=1, support=2.4), beyond=1.0, worth=12.4)
    assert is_sure(one, [one.proposal], 0.0)
    alone = replace(one, proposal=replace(one.proposal, told=one.proposal.told[:1]))
    assert not is_sure(alone, [alone.proposal], 0.0)
