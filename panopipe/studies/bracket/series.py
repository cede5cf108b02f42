"""Which files may be exposures of one place, by the facts of their capture alone."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from panopipe.capture import Capture

NEAR_S = 20.0
"""Longest that may lie between two shots of a bracket besides their own exposure: cameras that write each at
once take some seconds. Who carries the stand two metres further and steps out of the picture takes longer."""
LEAST_EV = 0.3
"""Least step of a bracket: cameras offer thirds of a stop (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Shot:
    """What is known of a file before its picture is looked at.

    Attributes
    ----------
    name : str
        Of the file, without suffix.
    capture : Capture
        As the file tells.
    ev : float or None
        Light that the exposure took.
    """

    name: str
    capture: Capture
    ev: float | None


def chains(shots: Sequence[Shot]) -> list[list[int]]:
    """Runs of shots that may hold brackets, by place among `shots`, which are in the order of their names.

    Two shots that follow each other are linked if the same camera took them within seconds; where a time is
    missing, if their names are alike. A run whose exposures are all known to be equal is none.
    """
    order = _in_order(shots)
    runs: list[list[int]] = []
    for place in order:
        if runs and _linked(shots[runs[-1][-1]], shots[place]):
            runs[-1].append(place)
        else:
            runs.append([place])
    return [run for run in runs if len(run) > 1 and _differ([shots[place].ev for place in run])]


def _in_order(shots: Sequence[Shot]) -> list[int]:
    """By time where all have one, else by name."""
    times = [shot.capture.seconds for shot in shots]
    places = range(len(shots))
    if any(time is None for time in times):
        return list(places)
    return sorted(places, key=lambda place: (times[place], place))


def _linked(one: Shot, other: Shot) -> bool:
    for kind in ("make", "model"):
        told = getattr(one.capture, kind), getattr(other.capture, kind)
        if all(told) and told[0] != told[1]:
            return False
    before, after = one.capture.seconds, other.capture.seconds
    if before is None or after is None:
        if one.ev is None or other.ev is None:
            return False
        return stem(one.name) == stem(other.name)
    exposed = 2 * ((one.capture.exposure_s or 0) + (other.capture.exposure_s or 0))
    return abs(after - before) <= NEAR_S + exposed


def stem(name: str) -> str:
    """Part of a name before what marks exposures: `hall-01` of `hall-01_+2ev`, `hall` of `hall-3`."""
    found = re.fullmatch(r"(.*?\D)?[-_ .+(]*(?:ev)?[-+]?\d*[.,]?\d*(?:ev)?[a-z]?\)?", name.casefold())
    return (found.group(1) or "").rstrip("-_ .+(") if found else name.casefold()


def _differ(evs: Sequence[float | None]) -> bool:
    known = [ev for ev in evs if ev is not None]
    return len(known) < len(evs) or max(known) - min(known) >= LEAST_EV


def reference_of(evs: Sequence[float], biases: Sequence[float | None]) -> int:
    """Which of the exposures is the one that the others are taken around.

    The one whose bias is nearest to none, if files tell different ones; else the middle one by light, of two
    the first that has least to both sides.
    """
    told = [bias for bias in biases if bias is not None]
    if len(told) == len(biases) and len(set(told)) > 1:
        return min(range(len(biases)), key=lambda place: (abs(told[place]), place))
    middle = (max(evs) + min(evs)) / 2
    return min(range(len(evs)), key=lambda place: (round(abs(evs[place] - middle), 1), place))


def said_of(evs: Sequence[float]) -> str:
    """A group in words: how many exposures, and how far apart."""
    ordered = sorted(evs)
    steps = [after - before for before, after in pairwise(ordered)]
    if max(steps) - min(steps) < 0.5:
        return f"{len(evs)} exposures, {sum(steps) / len(steps):.2g} EV apart"
    return f"{len(evs)} exposures over {ordered[-1] - ordered[0]:.2g} EV"
