"""Rooms that a look proposes, written into the job file."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence

import tomlkit

from panopipe.frame import FrameKey
from panopipe.job import JOB_FILE, Job
from panopipe.recipe.journal import change_job_file


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

    def with_rooms(text: str) -> str:
        if "rooms" in tomllib.loads(text):
            raise ValueError(f"{JOB_FILE} has rooms already; put the proposed ones there by hand")
        ended = text if not text or text.endswith("\n") else text + "\n"
        content = ended + ("\n" if ended else "") + rooms_table(proposed)
        tomllib.loads(content)
        return content

    change_job_file(job, "rooms --accept", with_rooms)
