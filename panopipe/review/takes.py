"""Takes of one stand: side by side on the page, with what was found on each and the command for another."""

from __future__ import annotations

from pathlib import Path, PurePosixPath
from typing import Any

from panopipe.files.below import write_below
from panopipe.frame import FrameKey
from panopipe.job import TAKES, Group, Job
from panopipe.review import assets
from panopipe.review.finding import Finding
from panopipe.stage import TakeFault

FOLDER = "takes"
_UNITS = {"deg": "degrees", "px": "pixels", "%": "% of the sphere"}
_PRIVATE = (
    "If it is a person, privacy law decides whether you may show, and keep, this picture: as with what "
    "mirrors show, look before you publish."
)


def stands_of(job: Job) -> dict[FrameKey, Group]:
    """Frames that are one of several takes."""
    both = zip(job.members, job.groups, strict=True)
    return {key: group for key, group in both if group.kind == TAKES}


def take_findings(job: Job, key: FrameKey) -> tuple[Finding, ...]:
    """What to look at on a frame that is one of several takes: a choice in doubt, someone in the picture."""
    group = stands_of(job).get(key)
    if group is None:
        return ()
    said, doubted = f"{group.said[:1].upper()}{group.said[1:]}.", bool(group.doubt)
    remedy = "Look at the takes side by side below, and prefer another if one is better." if doubted else ""
    command, doubt = (_prefer(key, group.set_aside[0]), 1.2) if doubted else ((), 0.0)
    count = float(len(group.files))
    found = [Finding("takes", "Takes", count, None, "takes", doubted, said, remedy, command, doubt)]
    chosen = group.files.index(group.used[0])
    faults = group.takes[chosen].faults if chosen < len(group.takes) else ()
    for fault in [one for one in faults if one.private][:1]:
        at = None if fault.yaw_deg is None or fault.pitch_deg is None else (fault.yaw_deg, fault.pitch_deg)
        found.append(
            Finding(
                "take-person", "Person in this take", fault.figure, None, "% of the sphere", True,
                f"This take alone shows {words_of(fault)}.", _PRIVATE, (), 1.5, at,
            )
        )  # fmt: skip
    return tuple(found)


def page_takes(job: Job, key: FrameKey) -> list[dict[str, Any]]:
    """Takes of a frame's stand as the page shows them, in walking order; empty where there is but one."""
    group = stands_of(job).get(key)
    if group is None:
        return []
    shown = []
    for number, path in enumerate(group.files):
        judged = group.takes[number] if number < len(group.takes) else None
        faults = judged.faults if judged else ()
        is_chosen = path in group.used
        shown.append(
            {
                "name": PurePosixPath(path).stem,
                "chosen": is_chosen,
                "preferred": is_chosen and group.preferred,
                "picture": picture_name(key, number) if judged and judged.picture else "",
                "faults": [words_of(fault) for fault in faults],
                "private": _PRIVATE if any(fault.private for fault in faults) else "",
                "command": [] if is_chosen else list(_prefer(key, path)),
            }
        )
    return shown


def write_pictures(job_folder: Path, review: Path, job: Job) -> None:
    """Write the small pictures of takes, and take away those of stands that are no more."""
    wanted = {}
    for key, group in stands_of(job).items():
        for number, take in enumerate(group.takes):
            if take.picture:
                wanted[picture_name(key, number)] = take.picture
    for name, data in wanted.items():
        write_below(job_folder, f"{review.name}/{name}", data, lasting=False)
    for path in (review / FOLDER).glob("*.jpg"):
        if f"{FOLDER}/{path.name}" not in wanted and not path.is_symlink():
            path.unlink(missing_ok=True)


def picture_name(key: FrameKey, number: int) -> str:
    """File of a take's small picture, relative to the review folder."""
    return f"{FOLDER}/{assets.identity(key)}-{number + 1}.jpg"


def words_of(fault: TakeFault) -> str:
    """A fault with its figure and place: `flare spot: 1.4 EV, at yaw 30, pitch -10`."""
    unit = _UNITS.get(fault.unit, fault.unit)
    at = "" if fault.yaw_deg is None else f", at yaw {fault.yaw_deg:.0f}, pitch {fault.pitch_deg or 0:.0f}"
    return f"{fault.kind}: {fault.figure:.2g} {unit}{at}"


def _prefer(key: FrameKey, path: str) -> tuple[str, ...]:
    return ("panopipe", "prefer", "JOB", str(FrameKey(key.room, PurePosixPath(path).stem)))
