"""One check's word on one frame: a number, a bar, a plain sentence, and what to do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from panopipe.frame import FrameKey
from panopipe.state.record import FrameRecord

State = Literal["fine", "look", "failed", "waiting"]
"""fine: nothing crossed a bar, or all that did was accepted; look: a person should look; failed: no picture;
waiting: no run came to it."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What one check says of one frame.

    Attributes
    ----------
    check : str
        Short name of the check, for scripts.
    title : str
        The same for the photographer.
    value : float or None
        What was measured; None when it could not be.
    bar : float or None
        The value beyond which a person should look; None when the check has no number.
    unit : str
        Unit of value and bar.
    crossed : bool
        Whether a person should look.
    sentence : str
        What it means, in plain words.
    remedy : str
        What to do about it; empty when nothing is to be done.
    command : tuple of str
        The command that mends it, word by word, the job folder as `JOB`; empty when no command can.
    doubt : float
        How far beyond the bar: 1 at the bar, more beyond, 0 when not crossed. Frames are sorted by it.
    look : tuple of float, optional
        Yaw and pitch in degrees at which the sphere opens, where what was found lies in one place.
    accepted : bool
        Whether somebody looked and found it well as it is.
    """

    check: str
    title: str
    value: float | None = None
    bar: float | None = None
    unit: str = ""
    crossed: bool = False
    sentence: str = ""
    remedy: str = ""
    command: tuple[str, ...] = ()
    doubt: float = 0.0
    look: tuple[float, float] | None = None
    accepted: bool = False

    @property
    def is_open(self) -> bool:
        """Whether a person should look, and nobody has yet."""
        return self.crossed and not self.accepted


@dataclass(frozen=True, slots=True)
class FrameReview:
    """A frame's record and what every check says of it, the gravest first."""

    record: FrameRecord
    findings: tuple[Finding, ...] = ()

    @property
    def key(self) -> FrameKey:
        """Room and name."""
        return self.record.key

    @property
    def crossed(self) -> tuple[Finding, ...]:
        """The findings that want a look, the gravest first; those that were accepted no longer do."""
        return tuple(finding for finding in self.findings if finding.is_open)

    @property
    def accepted(self) -> tuple[Finding, ...]:
        """The findings that somebody looked at and accepted."""
        return tuple(finding for finding in self.findings if finding.crossed and finding.accepted)

    @property
    def state(self) -> State:
        """Whether the frame is done, wants a look, or was not made."""
        if self.record.status != "finished":
            return "failed" if self.record.status == "failed" else "waiting"
        return "look" if self.crossed else "fine"

    @property
    def fault(self) -> str:
        """Why a failed frame failed, without its name in front."""
        return (self.record.error or "failed").removeprefix(f"{self.key}: ")

    @property
    def doubt(self) -> float:
        """Order of worry: failed frames first, then by the gravest finding, more findings weighing more."""
        if self.record.status == "failed":
            return 1000.0
        if self.record.status == "waiting":
            return 500.0
        grave = sorted((finding.doubt for finding in self.crossed), reverse=True)
        return min(400.0, sum(doubt * 0.5**place for place, doubt in enumerate(grave)))


@dataclass(frozen=True, slots=True)
class JobReview:
    """All frames of a job and what concerns the job as a whole.

    Attributes
    ----------
    title : str
        Title of the job.
    frames : tuple of FrameReview
        In walking order: by room, then by name.
    findings : tuple of Finding
        What concerns no single frame, such as a gap in a numbered series.
    """

    title: str
    frames: tuple[FrameReview, ...]
    findings: tuple[Finding, ...] = field(default=())

    def count(self, state: State) -> int:
        """How many frames are in a state."""
        return sum(frame.state == state for frame in self.frames)

    def by_doubt(self) -> Sequence[FrameReview]:
        """Frames that want a hand, the gravest first; ties in walking order."""
        return sorted(
            (frame for frame in self.frames if frame.state != "fine"), key=lambda frame: -frame.doubt
        )


def excess(value: float, bar: float) -> float:
    """How far a value lies beyond its bar: 1 at the bar, at most 100."""
    return 0.0 if value <= bar else min(100.0, value / bar if bar > 0 else 100.0)
