"""Which shots of a run are exposures of one place: their light must differ, and their pictures must agree."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from panopipe.studies.bracket.register import LEAST_AGREEMENT, LEAST_SEEN, Look, Registered
from panopipe.studies.bracket.series import LEAST_EV, Shot, reference_of, said_of

_UNSURE_AGREEMENT = 0.25
"""Agreement below which two pictures are of different places; from here to `LEAST_AGREEMENT` nobody knows."""
_MOST_PARALLAX_DEG = 1.8
"""Drift left besides a turn from which the stand was moved: a sway of a degree leaves .4 to .8."""
_TAGS_OFF_EV = 0.6
"""How far pictures may differ in light from what their files say: shutters and tags are off by a third."""
_SAME_EV = 0.2
"""Light within which two exposures are the same, so that the second begins another bracket."""
_GROUPS_BACK = 3
"""Groups of a run that a shot may still belong to: one shot of another place may have slipped in between."""

Register = Callable[[Look, Look], Registered]


@dataclass(frozen=True, slots=True)
class Found:
    """Files that are exposures of one place.

    Attributes
    ----------
    members : tuple of int
        Their places in the list that was given, the reference first.
    said : str
        The group in words.
    """

    members: tuple[int, ...]
    said: str


@dataclass(slots=True)
class _Group:
    """Shots found to be of one place so far: where they stand in the run, their light, their pictures."""

    places: list[int] = field(default_factory=list)
    evs: list[float] = field(default_factory=list)
    looks: list[Look | None] = field(default_factory=list)

    def add(self, place: int, ev: float, look: Look | None) -> None:
        self.places.append(place)
        self.evs.append(ev)
        self.looks.append(look)

    def has(self, ev: float | None, within: float = _SAME_EV) -> bool:
        return ev is not None and any(abs(other - ev) < within for other in self.evs)


def grouped(
    shots: Sequence[Shot], looks: Sequence[Look | str], lay: Register
) -> tuple[list[Found], list[str]]:
    """Group shots of one run.

    Parameters
    ----------
    shots : sequence of Shot
        In the order they were taken.
    looks : sequence of Look or str
        Their small pictures; why there is none where it cannot be read, empty for one of finished colours.
    lay : callable
        Lays a second picture on a first.

    Returns
    -------
    list of Found
        Groups of two or more.
    list of str
        A line for each shot that facts put into a group and its picture does not.
    """
    groups: list[_Group] = []
    doubts: dict[int, str] = {}
    for place, (shot, look) in enumerate(zip(shots, looks, strict=True)):
        if look and any(_joins(g, place, shots, look, lay, doubts) for g in groups[: -_GROUPS_BACK - 1 : -1]):
            doubts.pop(place, None)
            continue
        groups.append(_Group())
        groups[-1].add(place, shot.ev or 0.0, look if isinstance(look, Look) else None)
    found = [_found(group, shots) for group in groups if sum(look is not None for look in group.looks) > 1]
    alone = [group.places[0] for group in groups if len(group.places) == 1]
    for place in alone:
        if isinstance(looks[place], Look) and any(min(f.members) < place < max(f.members) for f in found):
            doubts.setdefault(place, "it does not show the place of the exposures around it")
    told = [
        f"{shots[place].name} is a frame of its own: {doubts[place]}" for place in alone if place in doubts
    ]
    return found, told


def _joins(
    group: _Group,
    place: int,
    shots: Sequence[Shot],
    look: Look | str,
    lay: Register,
    doubts: dict[int, str],
) -> bool:
    """Whether a shot joins a group; a doubt that its picture leaves is noted."""
    shot = shots[place]
    if group.looks[0] is None or group.has(shot.ev):
        return False
    if isinstance(look, str):
        is_told = shot.ev is not None and shot.capture.seconds is not None
        if is_told:  # broken, but shot with them: it costs its share, and they go on
            group.add(place, shot.ev or 0.0, None)
        return is_told
    near = _nearest(group, shot)
    partner = group.looks[near]
    if partner is None or partner.share.shape != look.share.shape:
        return False
    laid = lay(partner, look)
    ev = shot.ev if shot.ev is not None else group.evs[near] + laid.ratio_ev
    if laid.seen < LEAST_SEEN or laid.agreement < _UNSURE_AGREEMENT or group.has(ev, LEAST_EV):
        return False
    if doubt := _doubt(laid, shot, shots[group.places[near]]):
        doubts[place] = doubt
        return False
    group.add(place, ev, look)
    return True


def _doubt(laid: Registered, shot: Shot, other: Shot) -> str:
    """Why nobody can be sure that two pictures are exposures of one place; empty if one can."""
    if laid.agreement < LEAST_AGREEMENT or laid.parallax_deg > _MOST_PARALLAX_DEG:
        return f"whether it shows the place of {other.name} is unsure"
    if shot.ev is None or other.ev is None:
        return ""
    told = shot.ev - other.ev
    if abs(laid.ratio_ev - told) > _TAGS_OFF_EV:
        measured = f"its light differs by {laid.ratio_ev:+.1f} EV from that of {other.name}"
        return f"{measured}, the files say {told:+.1f}"
    return ""


def _nearest(group: _Group, shot: Shot) -> int:
    """Member whose light is nearest, of those that can be seen; the first where light is not known."""
    there = [place for place, look in enumerate(group.looks) if look is not None]
    if shot.ev is None:
        return there[0]
    return min(there, key=lambda place: abs(group.evs[place] - (shot.ev or 0)))


def _found(group: _Group, shots: Sequence[Shot]) -> Found:
    seen = [number for number, look in enumerate(group.looks) if look is not None]
    evs = [group.evs[number] for number in seen]
    biases = [shots[group.places[number]].capture.exposure_bias_ev for number in seen]
    first = seen[reference_of(evs, biases)]
    others = [number for number in range(len(group.places)) if number != first]
    members = (group.places[first], *(group.places[number] for number in others))
    return Found(members, said_of(group.evs))
