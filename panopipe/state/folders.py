"""Order in a job's folders: made where missing, swept of what a crash left, nothing lost."""

from __future__ import annotations

import re
from collections.abc import Collection
from pathlib import Path

from panopipe.files.below import files_below, make_below, move_below, remove_below, sweep_parts
from panopipe.job import FINISHED, LOGS, PROOFS, REVIEW, SET_ASIDE, WORKING, in_the_way

ARRIVING = f"{WORKING}/arriving"
"""Where workers of a cluster put what they finished, until the run gives it its place."""
_OURS = (FINISHED, WORKING, PROOFS, REVIEW, LOGS)
_KEPT = ("before", "reduced", "small", "doing")
_DOING = f"{WORKING}/doing"
_ARRIVED = re.compile("[0-9a-f]{32}")
_KEPT_NAME = re.compile("[0-9a-f]{40}")
"""How the name of kept light begins: only what a run named so is removed."""


def ensure_folders(folder: Path) -> None:
    """Make the folders that a run writes to.

    Raises
    ------
    ValueError
        If one of them is a link that leads out of the job folder, or a file.
    OSError
        If the job folder cannot be written.
    """
    for name in _OURS:
        place = folder / name
        if place.is_symlink():
            raise ValueError(f"{name} is a link, which may lead out of the job folder; put a folder there")
        if why := in_the_way(place, folder=True):
            raise ValueError(f"{name}: {why}")
    for name in (*(f"{WORKING}/{kept}" for kept in _KEPT), FINISHED):
        make_below(folder, name)


def sweep(folder: Path) -> None:
    """Remove what interrupted writing left behind, in panopipe's own folders only."""
    for name in _OURS:
        sweep_parts(folder, name)
    for left in files_below(folder, _DOING):
        if left.isdecimal():
            remove_below(folder, f"{_DOING}/{left}")
    for left in files_below(folder, ARRIVING):
        if _ARRIVED.match(left):
            remove_below(folder, f"{ARRIVING}/{left}")


def sweep_cache(folder: Path, kept: str, surveyed: Collection[str]) -> None:
    """Remove kept light that belongs to no frame any longer."""
    wanted = {look[:40] for look in surveyed}
    for file in files_below(folder, kept):
        name = _KEPT_NAME.match(file)
        if name and name[0] not in wanted:
            remove_below(folder, f"{kept}/{file}")


def set_aside(folder: Path, path: str, run: str) -> str:
    """Move a finished file that someone changed out of the way of the new one; return where to."""
    goal = f"{SET_ASIDE}/{run}/{path.removeprefix(FINISHED + '/')}"
    move_below(folder, path, goal)
    return goal
