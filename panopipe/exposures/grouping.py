"""Which files of a room are one frame: exposures that are merged, or takes of which one is chosen."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path

from panopipe.exposures.recognise import candidates, recognise, told_of
from panopipe.exposures.takes import Judged, Look, may_be_takes, takes_among
from panopipe.stage import FileGroup, JudgedTake, TakeFault
from panopipe.studies.takes.choose import Choice
from panopipe.studies.takes.take import Fault, Kind


def candidate_groups(files: Sequence[Path]) -> list[tuple[int, ...]]:
    """Runs of files that may be one frame together, by headers alone; no file is in two of them."""
    capture = cache(told_of)  # a header is read once
    runs = [*candidates(files, capture), *may_be_takes(files, capture)]
    joined: list[list[int]] = []
    for run in runs:
        touched = [other for other in joined if set(other) & set(run)]
        joined = [other for other in joined if other not in touched]
        joined.append(sorted({place for other in touched for place in other} | set(run)))
    return [tuple(run) for run in joined]


def file_groups(
    files: Sequence[Path], look: Callable[[Path], Look]
) -> tuple[tuple[FileGroup, ...], tuple[str, ...]]:
    """Decide which files of one run are one frame; `look` gives a file's light and facts.

    What is an exposure of a bracket is no take.
    """
    groups: list[FileGroup] = []
    doubts: list[str] = []
    for run in candidates(files):
        found, unclear = recognise([files[place] for place in run])
        groups += [
            FileGroup("exposures", tuple(run[place] for place in one.members), one.said) for one in found
        ]
        doubts += unclear
    used = {place for group in groups for place in group.members}
    left = [place for place in range(len(files)) if place not in used]
    judged, unsure = takes_among([files[place] for place in left], look)
    groups += [told_takes(one, files, [left[place] for place in one.members]) for one in judged]
    doubts += [
        f"{files[left[one]].stem} and {files[left[other]].stem} are frames of their own: "
        "whether they show one stand is unsure"
        for one, other in unsure
    ]
    return tuple(groups), tuple(doubts)


def told_takes(judged: Judged, files: Sequence[Path], members: Sequence[int] | None = None) -> FileGroup:
    """Takes of one stand as the contract has them; `members` are their places among `files`."""
    places = tuple(judged.members if members is None else members)
    choice = judged.choice
    said = f"{len(places)} takes of one stand: {reason(choice, [files[place].stem for place in places])}"
    takes = tuple(
        JudgedTake(tuple(map(_told, own)), picture)
        for own, picture in zip(choice.faults, judged.pictures, strict=True)
    )
    return FileGroup("takes", places, said, choice.chosen, takes, choice.doubt)


def reason(choice: Choice, names: Sequence[str]) -> str:
    """Say in one sentence why a take was chosen."""
    worse = [
        f"{name} has {_in_words(faults[0])}"
        for number, (name, faults) in enumerate(zip(names, choice.faults, strict=True))
        if faults and number != choice.chosen
    ]
    own = choice.faults[choice.chosen]
    chosen = names[choice.chosen]
    if choice.doubt:
        return f"{chosen} is finished, but that is unsure: {choice.doubt}"
    if not worse:
        return f"{chosen} is finished, none is worse than another"
    besides = f", though it has {_in_words(own[0])}" if own else ""
    return f"{chosen} is finished{besides}; {', '.join(worse)}"


def _in_words(fault: Fault) -> str:
    """A fault with its figure: `a flare spot of 1.4 EV`."""
    article = "" if fault.kind in (Kind.GLARE, Kind.CLIP, Kind.BLUR) else "a "
    unit = {"deg": " degrees", "px": " pixels", "%": " % of the sphere"}.get(fault.unit, f" {fault.unit}")
    return f"{article}{fault.kind} of {fault.figure:.2g}{unit}"


def _told(fault: Fault) -> TakeFault:
    private = fault.kind == Kind.VISITOR
    return TakeFault(str(fault.kind), fault.figure, fault.unit, fault.yaw_deg, fault.pitch_deg, private)
