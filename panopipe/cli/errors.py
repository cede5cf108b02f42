"""What went wrong, as one line and an exit code."""

from __future__ import annotations

import contextlib
import errno
import os
import signal
import sys
import traceback
from collections.abc import Iterator

import typer

from panopipe.errors import one_line, printable

FRAMES_FAILED, USAGE, STOPPED, OWN_FAULT, INTERRUPTED = 1, 2, 3, 70, 130
"""Exit codes: frames or the review failed; job, recipe or command wrong; stopped before the end; a fault of
panopipe itself; stopped by Ctrl-C."""


@contextlib.contextmanager
def told(debug: bool) -> Iterator[None]:
    """Turn what the rooms below raise into one line and an exit code."""
    try:
        with _stopped_like_by_ctrl_c():
            yield
    except BrokenPipeError as error:  # the reader of our output has gone, as `| head` does
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # nothing is left to flush
        raise typer.Exit(0) from error
    except (ValueError, OSError) as error:
        if debug:
            traceback.print_exc()
        for line in getattr(error, "faults", ()) or [what_to_do(error)]:
            say(f"{line}")
        raise typer.Exit(USAGE) from error
    except KeyboardInterrupt as error:
        say("stopped")
        raise typer.Exit(INTERRUPTED) from error
    except (typer.Exit, typer.Abort):
        raise
    except Exception as error:
        if debug:
            traceback.print_exc()
        say(what_to_do(error))
        raise typer.Exit(OWN_FAULT) from error


@contextlib.contextmanager
def _stopped_like_by_ctrl_c() -> Iterator[None]:
    """Let a request to end, from the system or a closing terminal, stop a command as Ctrl-C does."""

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    before = {}
    for name in ("SIGTERM", "SIGHUP", "SIGBREAK"):
        with contextlib.suppress(ValueError, OSError, AttributeError):  # only in the main thread
            number = getattr(signal, name)
            before[number] = signal.signal(number, stop)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def say(line: str) -> None:
    """Say on the standard error what went wrong."""
    print(printable(f"panopipe: {line}"), file=sys.stderr)


def what_to_do(error: Exception) -> str:
    """Message of an error; with what helps, where only the system's own words came up."""
    if not isinstance(error, ValueError | OSError):
        fault = f"{type(error).__name__}: {one_line(error)}"
        return f"a fault of its own ({fault}); --debug tells more for a report"
    number = error.errno if isinstance(error, OSError) else None
    if number == errno.ENOSPC:
        return "the disk is full; make room, then give the command again"
    if number in (errno.EACCES, errno.EPERM, errno.EROFS):
        return f"{one_line(error)}; allow it, or copy the job to a folder of your own"
    return one_line(error)
