"""Prefer a take: one line of the job file, which wins over what was found and stays until it is taken out."""

from __future__ import annotations

import tomllib

import tomlkit

from panopipe.frame import FrameKey
from panopipe.job import JOB_FILE, TAKES, Group, Job, nearest
from panopipe.job.names import composed
from panopipe.recipe.journal import change_job_file


def prefer(job: Job, take: str) -> FrameKey:
    """Write into the job file that a take is to be finished, whatever is found on its stand's takes.

    Parameters
    ----------
    job : Job
        The job, its takes recognised.
    take : str
        ROOM/FRAME of the take, or its name where only one room has it.

    Returns
    -------
    FrameKey
        The frame that will be made of it.

    Raises
    ------
    ValueError
        If there is no such take.
    OSError
        If the job file cannot be written.
    """
    key = _take(job, take)
    frame, group = _stand(job, key)
    _write(job, group, key, f"prefer {key}")
    return frame


def leave_choice(job: Job, take: str) -> FrameKey:
    """Take out of the job file which take of a stand is preferred; `take` is any of them.

    Raises
    ------
    ValueError, OSError
        As `prefer`.
    """
    frame, group = _stand(job, _take(job, take))
    _write(job, group, None, f"prefer {frame} --as-found")
    return frame


def _take(job: Job, text: str) -> FrameKey:
    wanted = composed(text)
    named = [key for key in job.alone if wanted in (composed(str(key)), composed(key.name))]
    exact = [key for key in named if composed(str(key)) == wanted]
    if len(exact or named) == 1:
        return (exact or named)[0]
    if named:
        raise ValueError(f"{text} is in several rooms: {', '.join(map(str, named))}")
    raise ValueError(f"no take {text} in this job{nearest(text, map(str, job.alone))}")


def _stand(job: Job, key: FrameKey) -> tuple[FrameKey, Group]:
    path = job.alone[key].files[0].path
    for frame, group in zip(job.members, job.groups, strict=True):
        if group.kind == TAKES and path in group.files:
            return frame, group
    raise ValueError(
        f"{key} is not known as one of several takes of a stand: run the job first, or put them together "
        f"under [takes] in {JOB_FILE}"
    )


def _write(job: Job, group: Group, key: FrameKey | None, said: str) -> None:
    of_stand = {own for own, entry in job.alone.items() if entry.files[0].path in group.files}
    wanted = [str(own) for own in job.preferred if own not in of_stand] + ([str(key)] if key else [])

    def with_preferred(text: str) -> str:
        document = tomlkit.parse(text)
        if wanted:
            document["prefer"] = wanted
        else:
            document.pop("prefer", None)
        content = tomlkit.dumps(document)
        if tomllib.loads(content).get("prefer", []) != wanted:
            raise ValueError(f"{JOB_FILE} cannot be changed here; write prefer = {wanted} at its top")
        return content

    change_job_file(job, said, with_preferred)
