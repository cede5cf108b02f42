"""The run on the screen: a line that renews itself in a terminal, plain lines elsewhere, then a table."""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator
from typing import TYPE_CHECKING, TextIO

from panopipe.errors import printable
from panopipe.job import Job

if TYPE_CHECKING:
    from panopipe.run.session import Summary

_PLAIN_EVERY_S = 30.0
"""Where lines cannot renew themselves, one in a while is enough."""


class Screen:
    """Says what a run tells, on a stream.

    Parameters
    ----------
    stream : TextIO
        Terminal, file or pipe.
    """

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._live = stream.isatty()
        self._drawn = 0
        self._last = time.monotonic()

    def line(self, text: str) -> None:
        """Say one line that stays."""
        self.wipe()
        print(printable(text), file=self._stream, flush=True)

    def progress(self, text: str) -> None:
        """Renew the line that says what is going on."""
        if self._live:
            shown = printable(text)[: shutil.get_terminal_size().columns - 1]
            self._stream.write("\r" + shown.ljust(self._drawn))
            self._stream.flush()
            self._drawn = len(shown)
        elif time.monotonic() - self._last >= _PLAIN_EVERY_S:
            self._last = time.monotonic()
            print(printable(text), file=self._stream, flush=True)

    def wipe(self) -> None:
        """Take the line away that says what is going on."""
        if self._drawn:
            self._stream.write("\r" + " " * self._drawn + "\r")
            self._stream.flush()
            self._drawn = 0


def table_lines(job: Job, summary: Summary, *, failures: bool = True) -> Iterator[str]:
    """Closing table: per room how many were finished, were finished before, failed; then the failures."""
    columns = ("finished", "already finished", "failed")
    yield f"{'room':24}" + "".join(f"{name:>18}" for name in columns)
    groups = (summary.finished, summary.already, summary.failed)
    rows = [
        (room or "(no room)", [sum(key.room == room for key in keys) for keys in groups])
        for room in job.rooms
    ]
    for room, counts in rows:
        if any(counts):
            yield f"{printable(room):24}" + "".join(f"{count:18}" for count in counts)
    yield f"{'all':24}" + "".join(f"{len(keys):18}" for keys in groups)
    for key in summary.failed if failures else ():
        yield printable(f"{key}: {summary.errors[key]}")
    for folder, why in summary.unread.items() if failures else ():
        yield printable(f"{folder}: {why}; mend that, then run again")
