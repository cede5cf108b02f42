"""Where a delivery goes: a folder or a zip that panopipe may make there, and the names it has on the way."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from pathlib import Path

from panopipe.files.below import move_below, remove_below, remove_folder_below
from panopipe.job import DELIVERY, Job
from panopipe.job.file_names import name_faults

ZIP = ".zip"


@dataclass(frozen=True, slots=True)
class Goal:
    """Where a delivery goes.

    Attributes
    ----------
    parent : Path
        The folder that holds it; it exists, links resolved.
    name : str
        Its name there.
    mark : str
        Short and the same for the same job and place: hidden names on the way begin with it.
    """

    parent: Path
    name: str
    mark: str

    @property
    def path(self) -> Path:
        """The folder or zip."""
        return self.parent / self.name

    @property
    def is_zip(self) -> bool:
        """Whether it is a zip."""
        return self.name.lower().endswith(ZIP)

    @property
    def coming(self) -> str:
        """Hidden name of a delivery that is being made."""
        return f".{self.mark}.coming"

    @property
    def going(self) -> str:
        """Hidden name of the folder that it replaces, for the moment between two renames."""
        return f".{self.mark}.going"

    @property
    def key(self) -> str:
        """What the job notes it by."""
        return str(self.path)


def goal_of(job: Job, given: Path | None) -> Goal:
    """Check where a delivery is wanted; the job's own folder for them by default.

    Raises
    ------
    ValueError
        If it cannot lie there.
    OSError
        If the place cannot be looked at.
    """
    if given is None:
        given = job.folder / DELIVERY
    place = given.absolute()
    if not place.parent.is_dir():
        raise ValueError(f"{given}: no folder {place.parent} to put it into")
    parent = place.parent.resolve()
    place = parent / place.name
    if not place.name or place.name in (os.curdir, os.pardir):
        raise ValueError(f"{given} is no name for a folder or a zip")
    if place.name.lower().endswith(ZIP) and (faults := list(name_faults([place.name[: -len(ZIP)]]))):
        raise ValueError(f"{given}: the folder in the zip cannot be named so: {faults[0]}")
    if place.is_symlink():
        raise ValueError(f"{given} is a link; name the folder or zip itself")
    own = place.is_relative_to(job.folder) and place.relative_to(job.folder).parts[:1] != (DELIVERY,)
    if own or job.folder.is_relative_to(place):
        raise ValueError(
            f"{given} is the job folder or a part of it that is not for deliveries; "
            f"name a place outside, or below {DELIVERY}/"
        )
    mark = hashlib.blake2s(f"{job.folder}\0{place.name}".encode("utf-8", "surrogateescape"), digest_size=8)
    goal = Goal(parent, place.name, mark.hexdigest())
    if place.exists() and place.is_dir() == goal.is_zip:
        kind = "folder" if goal.is_zip else "file"
        raise ValueError(f"{given} is a {kind}; name a folder, or a zip by its ending {ZIP}")
    return goal


def clear_up(goal: Goal) -> None:
    """Remove what a delivery that was killed left, and put back what it had moved aside.

    Raises
    ------
    OSError
        If that cannot be done.
    """
    if (goal.parent / goal.coming).is_dir():
        remove_folder_below(goal.parent, goal.coming)
    remove_below(goal.parent, goal.coming)
    if not (goal.parent / goal.going).is_dir():
        return
    if goal.path.exists():
        remove_folder_below(goal.parent, goal.going)
    else:
        move_below(goal.parent, goal.going, goal.name)
