"""What a user names by one word: the whole job, a room or a frame."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from panopipe.frame import FrameKey
from panopipe.job.model import Job, NoSuchFrameError
from panopipe.job.names import composed, nearest

JOB_WORD = "job"
"""What a user calls the job as a whole by, where a room or a frame could be named."""
JOB_FOLDER = "."
"""The same where a room or a frame is called like that: as one writes the folder that one is in."""


@dataclass(frozen=True, slots=True)
class Place:
    """The whole job, where neither is given; a room; or a frame.

    Attributes
    ----------
    room : str
        Name of the room, empty if none is meant.
    frame : FrameKey or None
        The frame.
    """

    room: str = ""
    frame: FrameKey | None = None

    @property
    def exact(self) -> str:
        """How it is written so that nothing else can be meant: as paths are."""
        if self.frame is not None:
            return self.frame.exact
        return f"{self.room}/" if self.room else JOB_FOLDER

    def __str__(self) -> str:
        if self.frame is not None:
            return f"the frame {self.frame}"
        return f"the room {self.room}" if self.room else "the whole job"


def place(job: Job, text: str, *, whole: bool = True) -> Place:
    """What a text names: `job`, a room, or ROOM/FRAME (or a frame's name that only one room has).

    A full name goes before a frame's name without its room. As paths are written, `.` is the whole job,
    `ROOM/` a room, and `./FRAME` a frame that lies in no room. Without `whole` the whole job cannot be meant.

    Raises
    ------
    ValueError
        If there is no such place, or the text is the full name of more than one.
    """
    if whole and text == JOB_FOLDER:
        return Place()
    if len(text) > 1 and text.endswith("/"):
        return Place(job.room(text[:-1]))
    meant = _in_full(job, text, whole)
    if len(meant) > 1:
        ways = ", ".join(f"{one.exact} for {one}" for one in meant)
        raise ValueError(f"{text} could be {' or '.join(map(str, meant))}; write {ways}")
    return meant[0] if meant else Place(frame=_frame(job, text, whole))


def _frame(job: Job, text: str, whole: bool) -> FrameKey:
    try:
        return job.key(text)
    except NoSuchFrameError:
        places = [*([JOB_WORD] if whole else ()), *filter(None, job.rooms)]
        likely = nearest(text, [*places, *map(str, job.frames)])
        known = ", ".join(places)
        raise ValueError(f"no room or frame {text} in this job{likely} (known: {known})") from None


def job_word(keys: Iterable[FrameKey]) -> str:
    """The word for a whole job of such frames that nothing else in it is called by."""
    taken = {key.room or key.name for key in keys}
    return JOB_FOLDER if JOB_WORD in taken else JOB_WORD


def _in_full(job: Job, text: str, whole: bool) -> list[Place]:
    """Places of this full name."""
    wanted = composed(text)
    found = [Place()] if whole and text == JOB_WORD else []
    found += [Place(room) for room in job.rooms if room and composed(room) == wanted]
    if any(composed(str(key)) == wanted for key in (*job.frames, *job.alone)):
        found.append(Place(frame=job.key(text)))
    return found
