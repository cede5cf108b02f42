"""What a run tells: to the person at the screen, to the log, and to scripts as events."""

from __future__ import annotations

import contextlib
import json
import os
import time
from pathlib import Path
from typing import IO, Protocol

from panopipe.files.below import open_below
from panopipe.frame import FrameKey
from panopipe.job import LOGS


class ProgressReporter(Protocol):
    """Where the words of a run go on the screen."""

    def line(self, text: str) -> None:
        """Say one line that stays."""

    def progress(self, text: str) -> None:
        """Say what is going on just now; the next word may take its place."""


class SilentReporter:
    """Says nothing on the screen."""

    def line(self, text: str) -> None:
        """Say nothing."""

    def progress(self, text: str) -> None:
        """Say nothing."""


def _appended(folder: Path, name: str) -> IO[str]:
    handle = open_below(folder, name, os.O_WRONLY | os.O_APPEND | os.O_CREAT)
    return os.fdopen(handle, "a", encoding="utf-8", errors="backslashreplace")


class RunLog:
    """The log of one run, for people and as JSON lines, in the job's log folder. Use it with `with`.

    A log that cannot be written (a full disk) never stops the run.

    Parameters
    ----------
    folder : Path
        The job folder.
    reporter : ProgressReporter
        The screen.
    """

    def __init__(self, folder: Path, reporter: ProgressReporter) -> None:
        self.name = time.strftime("%Y-%m-%d_%H-%M-%S")
        self.path = f"{LOGS}/{self.name}.log"
        self._reporter = reporter
        self._log: IO[str] | None = None
        self._events: IO[str] | None = None
        with contextlib.suppress(OSError, ValueError):
            self._log = _appended(folder, self.path)
            self._events = _appended(folder, f"{LOGS}/{self.name}.events.jsonl")

    def __enter__(self) -> RunLog:
        return self

    def __exit__(self, *_: object) -> None:
        for file in (self._log, self._events):
            if file:
                with contextlib.suppress(OSError):
                    file.close()

    def line(self, text: str) -> None:
        """Say one line on the screen and in the log."""
        self._reporter.line(text)
        self.note(text)

    def note(self, text: str) -> None:
        """Say one line in the log only."""
        self._write(self._log, f"{time.strftime('%H:%M:%S')}  {text}\n")

    def progress(self, text: str) -> None:
        """Say on the screen what is going on."""
        self._reporter.progress(text)

    def event(self, what: str, key: FrameKey | None = None, **facts: object) -> None:
        """Leave an event for scripts: its kind, its time (UTC), the frame it is about, and facts."""
        when = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())
        frame = {"room": key.room, "frame": key.name} if key else {}
        text = json.dumps({"event": what, "at": when, **frame, **facts}, ensure_ascii=False, default=str)
        self._write(self._events, text + "\n")

    def _write(self, file: IO[str] | None, text: str) -> None:
        if file:
            with contextlib.suppress(OSError, ValueError):
                file.write(text)
                file.flush()
