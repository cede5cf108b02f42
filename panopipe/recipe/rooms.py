"""Rooms that a look proposes, written into the job file."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence

import tomlkit

from panopipe.files.below import write_below
from panopipe.frame import FrameKey
from panopipe.job import JOB_FILE, Job, inside
from panopipe.recipe.edit import as_held, settings_locked, text_of


def rooms_table(proposed: Mapping[str, Sequence[FrameKey]]) -> str:
    """The table `[rooms]` of the job file, ready to be put there."""
    table = tomlkit.table()
    for room, keys in proposed.items():
        names = tomlkit.array()
        names.extend(str(key) for key in keys)
        table[room] = names.multiline(len(keys) > 4)
    document = tomlkit.document()
    document["rooms"] = table
    return tomlkit.dumps(document)


def accept_rooms(job: Job, proposed: Mapping[str, Sequence[FrameKey]]) -> None:
    """Write rooms into the job file; its other lines and its comments stay.

    Raises
    ------
    ValueError
        If the job file says something of rooms already, or leads out of the job.
    OSError
        If it cannot be written.
    """
    path = job.folder / JOB_FILE
    if not inside(job.folder, path):
        raise ValueError(f"{JOB_FILE} leads out of the job folder")
    with settings_locked(job):
        held = text_of(path) or ""
        plain = held.removeprefix("\ufeff")
        if "rooms" in tomllib.loads(plain):
            raise ValueError(f"{JOB_FILE} has rooms already; put the proposed ones there by hand")
        ended = plain if not plain or plain.endswith("\n") else plain + "\n"
        content = ended + ("\n" if ended else "") + rooms_table(proposed)
        tomllib.loads(content)
        write_below(job.folder, JOB_FILE, as_held(content, held).encode())
