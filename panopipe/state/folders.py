"""Order in a job's folders: made where missing, swept of what a crash left, nothing lost."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Collection
from pathlib import Path

from panopipe.files.atomic import PART_SUFFIX
from panopipe.job import FINISHED, LOGS, PROOFS, REVIEW, SET_ASIDE, WORKING, in_the_way, inside

_OURS = (FINISHED, WORKING, PROOFS, REVIEW, LOGS)
_KEPT = ("before", "reduced", "small", "doing")


def ensure_folders(folder: Path) -> None:
    """Make the folders that a run writes to.

    Raises
    ------
    ValueError
        If one of them is a link that leads out of the job folder, or a file.
    OSError
        If the job folder cannot be written.
    """
    for name in (*_OURS, *(f"{WORKING}/{kept}" for kept in _KEPT)):
        place = folder / name
        if not inside(folder, place):
            raise ValueError(
                f"{name} is a link that leads out of the job folder; panopipe writes inside it only"
            )
        if why := in_the_way(place, folder=True):
            raise ValueError(f"{name}: {why}")
    for name in (WORKING, *(f"{WORKING}/{kept}" for kept in _KEPT), FINISHED):
        (folder / name).mkdir(exist_ok=True)


def sweep(folder: Path) -> None:
    """Remove what interrupted writing left behind, in panopipe's own folders only."""
    for name in _OURS:
        for here, folders, files in os.walk(folder / name, followlinks=False):
            folders[:] = [each for each in folders if not (Path(here) / each).is_symlink()]
            for file in files:
                if file.startswith(".") and file.endswith(PART_SUFFIX):
                    _remove(Path(here) / file)
    for left in _listed(folder / WORKING / "doing"):
        _remove(left)


def sweep_cache(folder: Path, kept: str, surveyed: Collection[str]) -> None:
    """Remove kept light that belongs to no frame any longer."""
    wanted = {look[:40] for look in surveyed}
    for file in _listed(folder / kept):
        if file.stem not in wanted:
            _remove(file)


def set_aside(folder: Path, path: str, run: str) -> str:
    """Move a finished file that someone changed out of the way of the new one; return where to."""
    goal = f"{SET_ASIDE}/{run}/{path.removeprefix(FINISHED + '/')}"
    place = folder / goal
    if not inside(folder, place):
        raise ValueError(f"{SET_ASIDE} is a link that leads out of the job folder")
    place.parent.mkdir(parents=True, exist_ok=True)
    (folder / path).replace(place)
    return goal


def _listed(folder: Path) -> list[Path]:
    return [path for path in folder.iterdir() if path.is_file()] if folder.is_dir() else []


def _remove(path: Path) -> None:
    with contextlib.suppress(OSError):
        path.unlink()
