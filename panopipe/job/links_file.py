"""What the job file says of links between frames, and of true north."""

from __future__ import annotations

import math
from collections.abc import Mapping

from panopipe.frame import FrameKey
from panopipe.job.job_file import JobFile
from panopipe.job.model import Job
from panopipe.job.names import nearest
from panopipe.stage import LinkByHand

_KEYS = ("frames", "sees", "yaw_deg", "back_yaw_deg", "distance_m")
_LONGEST_M = 1000.0


def links_by_hand(file: JobFile, job: Job) -> tuple[LinkByHand, ...]:
    """Links that `[[links]]` corrects; faults are noted in the file."""
    tables = file.document.values.get("links", [])
    if not isinstance(tables, list) or not all(isinstance(table, Mapping) for table in tables):
        file.fault(("links",), 'must be tables of this form: [[links]], then frames = ["hall-01", "hall-02"]')
        return ()
    links = [_link(file, job, table) for table in tables]
    return tuple(link for link in links if link is not None)


def _link(file: JobFile, job: Job, table: Mapping[str, object]) -> LinkByHand | None:
    unknown = [name for name in table if name not in _KEYS]
    frames, sees = table.get("frames"), table.get("sees", True)
    keys = _frames(file, job, frames)
    numbers = {name: table.get(name) for name in _KEYS[2:]}
    wrong = [
        name for name, value in numbers.items() if value is not None and not _is_angle_or_length(name, value)
    ]
    if unknown:
        file.fault(
            ("links",),
            f"{unknown[0]} is unknown here{nearest(unknown[0], _KEYS)} (known: {', '.join(_KEYS)})",
        )
    elif not isinstance(sees, bool):
        file.fault(("links",), f"sees = {sees!r} must be true or false")
    elif wrong:
        allowed = f"from 0 to {_LONGEST_M:g}" if wrong[0] == "distance_m" else "from -360 to 360"
        file.fault(("links",), f"{wrong[0]} = {numbers[wrong[0]]!r} must be a number {allowed}")
    elif keys is not None:
        told = {name: float(value) for name, value in numbers.items() if isinstance(value, int | float)}
        return LinkByHand(keys, sees, told.get("yaw_deg"), told.get("back_yaw_deg"), told.get("distance_m"))
    return None


def _frames(file: JobFile, job: Job, frames: object) -> tuple[FrameKey, FrameKey] | None:
    """The two frames of a link, or None with a fault noted."""
    if not (isinstance(frames, list) and len(frames) == 2 and all(isinstance(one, str) for one in frames)):
        file.fault(("links",), 'frames must be two frames: ["hall/hall-01", "hall/hall-02"]')
        return None
    try:
        one, other = job.key(frames[0]), job.key(frames[1])
    except ValueError as error:
        if not any(job.is_of_unread(frame) for frame in frames):
            file.fault(("links",), str(error))
        return None
    if one == other:
        file.fault(("links",), f"{one} cannot be linked with itself")
        return None
    return one, other


def _is_angle_or_length(name: str, value: object) -> bool:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return False
    return 0 <= value <= _LONGEST_M if name == "distance_m" else -360 <= value <= 360


def north_by_hand(file: JobFile, job: Job) -> dict[FrameKey, float]:
    """True headings that `[north]` gives; faults are noted in the file."""
    table = file.document.values.get("north", {})
    if not isinstance(table, Mapping):
        file.fault(("north",), 'must be a table of headings: "hall/hall-01" = 112.5')
        return {}
    found = {}
    for name, value in table.items():
        try:
            key = job.key(name)
        except ValueError as error:
            if not job.is_of_unread(name):
                file.fault(("north", name), str(error))
            continue
        if isinstance(value, bool) or not isinstance(value, int | float) or not -360 <= value <= 360:
            file.fault(("north", name), "must be a heading in degrees: 0 is north, 90 east")
        else:
            found[key] = float(value) % 360
    return found
