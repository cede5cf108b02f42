"""Where one part of a plan may lie against another: each shift that some floor tells is a proposal.

Inside a part all places are known, so that one shift between two frames places the whole of one part against
the other; every other pair of frames across then either tells the same place by its own floor, or nothing.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panopipe.studies.stands.floor import FARTHEST, FloorShift
from panopipe.studies.stands.matching import Ready
from panopipe.studies.stands.plan import Plan

Float = NDArray[np.float64]
Shifts = Mapping[tuple[int, int], Sequence[FloorShift]]
Sides = tuple[tuple[int, ...], tuple[int, ...]]
"""The frames of two parts."""

_PROPOSES, _NOISE = 4.2, 3.0
"""How sure a shift must be to propose a place, and from where on it counts at all."""
_MOST_OF_A_PAIR = 30.0
_NEAR, _NEAR_SHARE, _NEAR_TURN_DEG = 0.15, 0.03, 6.0
"""How far off what a place predicts a shift may be: the grain of the view, and 1.5 degrees of turn."""
_OFFERED = 8


@dataclass(frozen=True, slots=True, eq=False)
class Proposal:
    """A place of one part against another.

    Attributes
    ----------
    plan : Plan
        With the second part moved there.
    told : tuple of (int, int, FloorShift)
        Pairs of frames whose floors tell it.
    support : float
        What the floors of all pairs say for it.
    """

    plan: Plan
    told: tuple[tuple[int, int, FloorShift], ...]
    support: float


def proposals(frames: Sequence[Ready], plan: Plan, shifts: Shifts, sides: Sides) -> list[Proposal]:
    """Places of the second part against the first that floors tell, the best supported first."""
    across = {}
    for i, j in itertools.product(*sides):
        if (i, j) in shifts:
            across[i, j] = list(shifts[i, j])
        elif (j, i) in shifts:
            across[i, j] = [shift.seen_back(frames[j].floor, frames[i].floor) for shift in shifts[j, i]]
    offered = sorted(
        (
            (shift.sure, i, j, shift)
            for (i, j), found in across.items()
            for shift in found
            if shift.sure >= _PROPOSES
        ),
        key=lambda one: -one[0],
    )[:_OFFERED]
    further = _walls(frames, plan, sides[0]) - _walls(frames, plan, sides[1]) if offered else 0.0
    made: list[Proposal] = []
    for _, i, j, shift in offered:
        if any(_saying(frames, other.plan, i, j, [shift]) for other in made):
            continue
        moved = _moved(frames, plan, i, j, shift, sides, further)
        told = [
            (*ends, agreeing)
            for ends in _within_reach(moved, list(across))
            if (agreeing := _saying(frames, moved, *ends, across[ends])) is not None
        ]
        support = sum(min(0.5 * (shift.sure - _NOISE) ** 2, _MOST_OF_A_PAIR) for *_, shift in told)
        made.append(Proposal(moved, tuple(told), support))
    return sorted(made, key=lambda one: -one.support)


def _within_reach(plan: Plan, pairs: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Pairs that a plan has so near each other that their floors can tell it."""
    first, second = np.array(pairs).T
    away = np.hypot(*(plan.at[second] - plan.at[first]).T)
    return [pairs[k] for k in np.flatnonzero(away <= FARTHEST)]


def _saying(
    frames: Sequence[Ready], plan: Plan, i: int, j: int, shifts: Sequence[FloorShift]
) -> FloorShift | None:
    """The first of some shifts of two frames that says what a plan has them at."""
    turn, back, length = plan.predicted(i, j)
    if length > FARTHEST:
        return None
    quarters = (frames[i].floor.heading_deg + turn - frames[j].floor.heading_deg) / 90.0
    quarter = round(quarters)
    if abs(quarters - quarter) > _NEAR_TURN_DEG / 90.0:
        return None
    for shift in shifts:
        if shift.quarter == quarter % 4:
            apart = math.radians(shift.back_yaw_deg - back)
            away = math.hypot(shift.distance - length * math.cos(apart), length * math.sin(apart))
            if away < _NEAR + _NEAR_SHARE * length:
                return shift
    return None


def carried(places: Float, frame: int, before: Plan, after: Plan) -> Float:
    """Places (n, 2) moved with a frame, from where one plan has it to where another has."""
    by = np.radians(after.headings_deg[frame] - before.headings_deg[frame])
    east, north = (places - before.at[frame]).T
    sine, cosine = np.sin(by), np.cos(by)
    turned = np.stack([cosine * east + sine * north, cosine * north - sine * east], axis=1)
    carried: Float = after.at[frame] + turned
    return carried


def _moved(
    frames: Sequence[Ready], plan: Plan, i: int, j: int, shift: FloorShift, sides: Sides, further: float
) -> Plan:
    """The plan with the second part where the floors of one pair place it; its walls run as the first's.

    `further` is how far the first part's walls are turned from the second's, modulo 90.
    """
    turn = frames[j].floor.heading_deg - frames[i].floor.heading_deg + 90.0 * shift.quarter
    quarter = round((plan.headings_deg[i] - turn - plan.headings_deg[j] - further) / 90.0)
    by = further + 90.0 * quarter
    way = np.radians(plan.headings_deg[i] + shift.yaw_deg(frames[i].floor, frames[j].floor))
    headings, at, part = plan.headings_deg.copy(), plan.at.copy(), plan.part.copy()
    moved, side = Plan(headings, at, part), list(sides[1])
    headings[side] += by
    at[j] = at[i] + shift.distance * np.array([np.sin(way), np.cos(way)])
    at[side] = carried(plan.at[side], j, plan, moved)
    part[side] = part[sides[0][0]]
    return moved


def _walls(frames: Sequence[Ready], plan: Plan, side: Sequence[int]) -> float:
    """Heading of the walls of a part, modulo 90."""
    told = [plan.headings_deg[i] + frames[i].floor.heading_deg for i in side]
    weight = [frames[i].features.walls for i in side]
    return float(np.degrees(np.angle(np.sum(weight * np.exp(4j * np.radians(told))))) / 4)
