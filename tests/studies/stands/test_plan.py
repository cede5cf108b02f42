"""Frames in one plan, from links that are exact and one that is not."""

from dataclasses import replace

import numpy as np

from panopipe.studies.stands.floor import FloorShift
from panopipe.studies.stands.motion import wrapped
from panopipe.studies.stands.pair import Pair
from panopipe.studies.stands.plan import Plan, solve_plan

AT = np.array([[0.0, 0.0], [2.0, 0.5], [1.0, 2.5], [3.5, 2.0], [9.0, 9.0], [10.0, 7.0]])
HEADINGS = np.array([10.0, -80.0, 170.0, 45.0, 0.0, 120.0])
ENDS = [(0, 1), (1, 2), (0, 2), (2, 3), (1, 3), (0, 3), (5, 4)]


def exact(i: int, j: int) -> Pair:
    """The pair of two frames as the plan has them."""
    turn, back, length = Plan(HEADINGS, AT, np.zeros(len(AT), np.intp)).predicted(i, j)
    shift = FloorShift(round(turn / 90) % 4, back, length, 12.0)
    return Pair.of_floor(i, j, turn, wrapped(back - turn + 180), shift)


def test_exact_links_give_the_plan_back() -> None:
    plan = solve_plan(6, [exact(*ends) for ends in ENDS], [0.0] * 6, [False] * 6)
    assert plan.part.tolist() == [0, 0, 0, 0, 1, 1]
    for i, j in ENDS:
        turn, _, length = plan.predicted(i, j)
        assert abs(wrapped(turn - exact(i, j).turn_deg)) < 1e-6
        assert abs(length - np.hypot(*(AT[j] - AT[i]))) < 1e-6


def test_one_wrong_link_of_many_moves_nothing() -> None:
    """By less than the error that each right link has: 0.25 degrees of turn, 0.13 camera heights at four."""
    links = [exact(*ends) for ends in ENDS]
    wrong = replace(links[5], turn_deg=links[5].turn_deg + 40, yaw_deg=links[5].yaw_deg - 40)
    plan = solve_plan(6, [*links[:5], wrong, links[6]], [0.0] * 6, [False] * 6)
    turn, _, length = plan.predicted(0, 3)
    assert abs(wrapped(turn - links[5].turn_deg)) < 0.25
    assert abs(length - np.hypot(*AT[3])) < 0.13
