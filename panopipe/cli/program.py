"""The program: its commands in one table, and how it starts."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Callable
from typing import Annotated

import typer

from panopipe import __version__
from panopipe.cli import delivery, night, originals, recipes, tuning
from panopipe.cli.nearest_option import NearestCommand, NearestGroup

app = typer.Typer(
    name="panopipe",
    cls=NearestGroup,
    epilog="Exit code 0: all went well. 1: frames or review failed. 2: job, recipe or command wrong. "
    "3: the disk filled up. 70: a fault of panopipe itself. 130: stopped by Ctrl-C or the system.",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)

COMMANDS: dict[str, Callable[..., None]] = {
    "run": night.run,
    "check": night.check,
    "proof": night.proof,
    "tune": tuning.tune,
    "accept": delivery.accept,
    "deliver": delivery.deliver,
    "settings": recipes.settings,
    "set": recipes.set_,
    "unset": recipes.unset,
    "undo": recipes.undo,
    "carry": recipes.carry,
    "prefer": recipes.prefer,
    "schema": recipes.schema,
    "stages": recipes.stages,
    "intake": originals.intake,
    "rooms": originals.rooms,
    "verify": originals.verify,
}
"""In the order of `--help`."""

for name, command in COMMANDS.items():
    app.command(name, cls=NearestCommand)(command)


def _say_version(wanted: bool) -> None:
    if wanted:
        from panopipe.pixels.compiled import COMPILED, NOT_COMPILED

        print(f"panopipe {__version__}" + ("" if COMPILED else f"\n{NOT_COMPILED}"))
        raise typer.Exit


@app.callback()
def program(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_say_version, is_eager=True, help="Show the version and exit."),
    ] = False,
) -> None:
    """Finishes a night's worth of stitched 360-degree panoramas while you sleep."""


_ONE_THREAD = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "BLIS_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
)
"""What libraries of linear algebra ask for when they are loaded, in this process and in its workers."""


def _keep_standard_error() -> None:
    """Let the standard error be that of this process alone: what it starts says nothing there.

    A worker hushes itself once it runs. But if this process is killed between starting one and telling it its
    task, the interpreter says so in a page of calls after the command is gone.
    """
    with contextlib.suppress(OSError, ValueError, AttributeError):  # there may be none
        own = os.dup(sys.stderr.fileno())  # never inherited (PEP 446)
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stderr.fileno())
        os.close(nowhere)
        sys.stderr = os.fdopen(own, "w", buffering=1, encoding=sys.stderr.encoding)


def main() -> None:
    """Run the command line.

    The run counts workers by processors: threads inside them would fight, and might add up in another order.
    """
    os.environ.update(dict.fromkeys(_ONE_THREAD, "1"))
    if "--debug" not in sys.argv:
        _keep_standard_error()
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")  # a name that the terminal cannot spell
    app()
