"""What can go wrong, by consequence, and the one line that a person is told. Loads no other room.

The lower rooms raise `ValueError` and `OSError` and know only values; these say whom a fault costs what.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


class PanopipeError(Exception):
    """Root of all that panopipe raises of its own."""


@dataclass(frozen=True, slots=True)
class Fault:
    """Something wrong in a file of the job, for one line to the photographer."""

    file: str
    line: int
    text: str
    key: str = ""

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line else self.file
        return f"{place}: {self.key}: {self.text}" if self.key else f"{place}: {self.text}"


class JobError(PanopipeError, ValueError):
    """All that is wrong with a job or its recipe; the job cannot start."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class StageError(PanopipeError, ValueError):
    """A stage could not do its part: costs the frame. `stage` is its name, the message says why in a line."""

    def __init__(self, stage: str, text: str) -> None:
        super().__init__(f"{stage}: {text}")
        self.stage = stage
        self.text = text

    def __reduce__(self) -> tuple[type[StageError], tuple[str, str]]:
        return StageError, (self.stage, self.text)


class FrameFault(PanopipeError, ValueError):  # noqa: N818 - says whose fault it is
    """What is wrong lies in the frame or its settings: another try would end the same."""


class WorkerLost(PanopipeError, RuntimeError):  # noqa: N818 - says what happened
    """A worker process ended without an answer: costs the try, not yet the frame."""


class WorkerHung(PanopipeError, RuntimeError):  # noqa: N818 - says what happened
    """A worker was at its task for longer than allowed, and was ended: costs the try, not yet the frame."""


class WorkersGone(PanopipeError, ConnectionError):  # noqa: N818 - says what happened
    """No worker can be had any longer: ends the run; what is finished stays, and another run goes on."""


def one_line(error: BaseException) -> str:
    """Message of an error on one line."""
    if isinstance(error, OSError) and error.strerror:
        name = error.filename
        return f"{error.strerror}: {name}" if name else error.strerror
    return " ".join(str(error).split()) or type(error).__name__


def printable(text: str) -> str:
    """Text without control characters: a name from a stranger must not steer the terminal."""
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)
