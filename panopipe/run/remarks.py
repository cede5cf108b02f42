"""What is said of frames before they are made: what they are made of, and what sinks remark on them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path, PurePosixPath

from panopipe.frame import FrameFacts, FrameKey
from panopipe.job import EXPOSURES, Group, Job, open_job
from panopipe.registry import loaded_sink
from panopipe.run.plan import Planned


def sink_remarks(
    frames: Mapping[FrameKey, Planned], facts: Iterable[tuple[FrameKey, FrameFacts]]
) -> tuple[str, ...]:
    """A line for each remark, with the frames that it is on.

    Parameters
    ----------
    frames : mapping of FrameKey to Planned
        All frames of the job.
    facts : iterable of (FrameKey, FrameFacts)
        Frames that are to be made.
    """
    keys_by_remark: dict[str, list[FrameKey]] = {}
    for key, known in facts:
        name, settings = frames[key].chain.stages[-1]
        sink = loaded_sink(name)
        if text := sink.remark(known, settings):
            keys_by_remark.setdefault(f"{name}: {text}", []).append(key)
    return tuple(f"{_frames(keys)}: {text}" for text, keys in keys_by_remark.items())


def group_lines(job: Job) -> tuple[str, ...]:
    """A line for each frame that is made of several files."""
    return tuple(
        f"{key}: {group.said}{_done(group)}" for key, group in zip(job.members, job.groups, strict=True)
    )


def lines_of_takes(folder: Path) -> list[str]:
    """A line for each take that is kept and not finished; none where the job cannot be opened."""
    return [f"{path}: a take that is set aside" for path in set_aside(folder)]


def set_aside(folder: Path) -> tuple[str, ...]:
    """Takes of a job that are kept and not finished, relative to its folder."""
    try:
        job = open_job(folder)
    except (ValueError, OSError):
        return ()
    return tuple(path for group in job.groups for path in group.set_aside)


def _done(group: Group) -> str:
    """What becomes of the files of a group."""
    if group.kind == EXPOSURES:
        return ", merged"
    return f"; set aside: {', '.join(PurePosixPath(path).stem for path in group.set_aside)}"


def _frames(keys: list[FrameKey]) -> str:
    return f"{keys[0]}" if len(keys) == 1 else f"{keys[0]} and {len(keys) - 1} more"
