"""The commands: parse, call, print. Each imports what it needs, so that `--help` is there at once."""

from __future__ import annotations

import contextlib
import errno
import json as json_
import os
import signal
import sys
import traceback
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from panopipe import __version__

if TYPE_CHECKING:
    from panopipe.frame import FrameKey
    from panopipe.job import Job
    from panopipe.review.make import ReviewSummary
    from panopipe.run.screen import Screen
    from panopipe.run.session import Summary

FRAMES_FAILED, USAGE, STOPPED, OWN_FAULT, INTERRUPTED = 1, 2, 3, 70, 130
"""Exit codes: frames failed; job, recipe or command wrong; stopped before the end; a fault of panopipe
itself; stopped by Ctrl-C."""

app = typer.Typer(
    name="panopipe",
    epilog="Exit code 0: all finished. 1: frames failed. 2: job, recipe or command wrong. 3: stopped early.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)

JobFolder = Annotated[Path, typer.Argument(metavar="JOB", help="The job folder.", show_default=False)]
Rooms = Annotated[
    list[str] | None, typer.Option("--room", metavar="ROOM", help="Only this room; may be repeated.")
]
Frames = Annotated[
    list[str] | None, typer.Option("--frame", metavar="ROOM/FRAME", help="Only this frame; may be repeated.")
]
Workers = Annotated[
    int | None,
    typer.Option("--workers", min=1, metavar="N", help="Worker processes; as many as fit by default."),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print the result as JSON, for scripts.")]
Debug = Annotated[bool, typer.Option("--debug", help="Show where in the program an error came from.")]
Where = Annotated[
    str, typer.Argument(metavar="WHERE", help='"job", a ROOM, or a ROOM/FRAME.', show_default=False)
]


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


@app.command()
def run(
    folder: JobFolder,
    room: Rooms = None,
    frame: Frames = None,
    workers: Workers = None,
    longest_min: Annotated[
        float, typer.Option(metavar="MINUTES", min=0.01, help="Longest that one frame may take.")
    ] = 60,
    rehash: Annotated[
        bool, typer.Option("--rehash", help="Read all originals again, changed or not.")
    ] = False,
    review: Annotated[bool, typer.Option(help="Make the review page after the run.")] = True,
    json: AsJson = False,
    debug: Debug = False,
) -> None:
    """Finish a job's frames; only what changed is done again.

    All frames, or those of some rooms. Stopped or killed, run it again and it goes on.
    """
    with _told(debug):
        from panopipe.recipe import load_recipe
        from panopipe.run.job_run import Options, run_job

        _stop_like_ctrl_c()
        job = _open(folder)
        options = Options(_chosen(job, room, frame), workers, longest_min * 60, rehash)
        screen = _screen(json)
        summary = run_job(job, load_recipe(job), options, screen)
        screen.wipe()
        made = _review(job, debug) if review and not summary.stopped else None
        if json:
            _print_json({**_summary_json(summary), "review": str(made.page) if made else ""})
        else:
            _print_table(job, summary, failures=made is None)
            if made:
                print(made.table())
    raise typer.Exit(_code(summary))


@app.command()
def check(folder: JobFolder, json: AsJson = False, debug: Debug = False) -> None:
    """Check a job, its recipe and its originals; work on nothing.

    Reads the recipe, opens every original and says how large it is; nothing is written.
    """
    with _told(debug):
        from panopipe.recipe import load_recipe
        from panopipe.run.checking import check_originals

        job = _open(folder)
        recipe = load_recipe(job)
        screen = _screen(json)
        found = check_originals(job, recipe, screen)
        screen.wipe()
        orders = sorted({recipe.settings(key).order for key in job.frames})
        remarks = [*job.remarks, *recipe.idle()]
        if json:
            sizes = {str(key): [facts.width, facts.height] for key, facts in found.facts.items()}
            failed = {str(key): why for key, why in found.failed.items()}
            _print_json({"frames": sizes, "failed": failed, "remarks": remarks, "orders": orders})
        else:
            for room, keys in job.rooms.items():
                seen = {f"{f.width}x{f.height}" for key in keys if (f := found.facts.get(key))}
                print(f"{room or '(no room)':24} frames: {len(keys):3}   {', '.join(sorted(seen))}")
            for order in orders:
                print("stages: " + ", ".join(order))
            for line in (*remarks, *(f"{key}: {why}" for key, why in found.failed.items())):
                print(line)
            print(f"the recipe is right; {len(found.facts)} of {len(job.frames)} frames can be taken")
    raise typer.Exit(FRAMES_FAILED if found.failed else 0)


@app.command()
def proof(
    folder: JobFolder,
    room: Rooms = None,
    frame: Frames = None,
    width: Annotated[int, typer.Option(min=256, max=2048, metavar="PX", help="Width of the proofs.")] = 2048,
    workers: Workers = None,
    json: AsJson = False,
    debug: Debug = False,
) -> None:
    """Make small pictures into JOB/proofs, in seconds.

    With the settings in force, up to 2048 wide, to judge them before a run.
    """
    with _told(debug):
        from panopipe.recipe import load_recipe
        from panopipe.run.job_run import Options, proof_job

        job = _open(folder)
        options = Options(_chosen(job, room, frame), workers)
        screen = _screen(json)
        summary = proof_job(job, load_recipe(job), options, screen, width=width)
        screen.wipe()
        if json:
            _print_json(_summary_json(summary))
        else:
            _print_table(job, summary)
            print(f"proofs: {job.folder / 'proofs'}")
    raise typer.Exit(_code(summary))


@app.command()
def settings(
    folder: JobFolder,
    frame: Annotated[
        str, typer.Argument(metavar="ROOM/FRAME", help="The frame; its name alone if only one room has it.")
    ],
    changed: Annotated[bool, typer.Option("--changed", help="Only what a file of the job says.")] = False,
    json: AsJson = False,
    debug: Debug = False,
) -> None:
    """Show a frame's settings and where each comes from."""
    with _told(debug):
        from panopipe.recipe import BUILT_IN_ORIGIN, effective

        job = _open(folder)
        found = effective(job, job.key(frame)).values
        shown = {
            table: {
                key: value
                for key, value in values.items()
                if not (changed and value.origin == BUILT_IN_ORIGIN)
            }
            for table, values in found.items()
        }
        if json:
            _print_json(
                {
                    t: {k: {"value": v.value, "origin": v.origin} for k, v in values.items()}
                    for t, values in shown.items()
                }
            )
        else:
            for table, values in shown.items():
                if values:
                    print(f"[{table}]")
                for key, value in values.items():
                    print(f"  {f'{key} = {_toml(value.value)}':44} {value.origin}")


@app.command(name="set")
def set_(
    folder: JobFolder,
    where: Where,
    assignments: Annotated[
        list[str],
        typer.Argument(metavar="STAGE.KEY=VALUE", help="Such as tone.exposure_ev=0.3.", show_default=False),
    ],
    debug: Debug = False,
) -> None:
    """Set values for the job, a room or a frame.

    Comments and order of the file stay as they are.
    """
    with _told(debug):
        from panopipe.recipe.edit import set_values

        change = set_values(_open(folder), where, assignments)
        print(f"{change.file}: {change.text()}" if change.lines else f"{change.file}: says so already")


@app.command()
def carry(
    folder: JobFolder,
    source: Annotated[
        str, typer.Argument(metavar="FROM", help="The ROOM (or ROOM/FRAME) to copy.", show_default=False)
    ],
    rooms: Annotated[
        list[str], typer.Argument(metavar="TO", help="The rooms to bring it to.", show_default=False)
    ],
    stage: Annotated[
        list[str] | None, typer.Option("--stage", metavar="STAGE", help="Only this stage; may be repeated.")
    ] = None,
    write: Annotated[
        bool, typer.Option("--write", help="Write the change; without it, only show it.")
    ] = False,
    debug: Debug = False,
) -> None:
    """Take one room's settings to other rooms.

    Shows the change, and writes it with --write. Comments and order of the files stay.
    """
    with _told(debug):
        from panopipe.recipe.edit import carried, write_change

        job = _open(folder)
        for change in carried(job, source, rooms, stage or []):
            if not change.lines:
                print(f"{change.file}: the same already")
                continue
            print(f"{change.file}:")
            for line in change.lines:
                print(f"  {line}")
            if write:
                write_change(job, change)
        if not write:
            print("nothing is written yet; add --write to write it")


@app.command()
def schema(debug: Debug = False) -> None:
    """Print the JSON Schema of a recipe, for editors."""
    with _told(debug):
        from panopipe.recipe.schema import recipe_schema

        _print_json(recipe_schema())


@app.command()
def stages(
    name: Annotated[
        str | None, typer.Argument(metavar="STAGE", help="One of them, such as tone.", show_default=False)
    ] = None,
    debug: Debug = False,
) -> None:
    """List the stages, or the settings of one."""
    with _told(debug):
        from panopipe.recipe.table import stage_lines, stages_lines

        for line in stage_lines(name) if name else stages_lines():
            print(line)


@app.command()
def intake(
    source: Annotated[Path, typer.Argument(metavar="SOURCE", help="A card or a folder.", show_default=False)],
    folder: Annotated[Path, typer.Argument(metavar="JOB", help="The job folder.", show_default=False)],
    rooms: Annotated[
        str,
        typer.Option(
            metavar="PATTERN",
            help='How a file\'s name tells its room: "{room}-{frame}". By default its folder is its room.',
        ),
    ] = "",
    json: AsJson = False,
    debug: Debug = False,
) -> None:
    """Copy frames from a card into a job, every copy checked.

    Nothing is ever written over. A manifest notes hash, size and time of each original.
    """
    with _told(debug):
        from panopipe.review.words import quoted
        from panopipe.run.intake import take_in

        screen = _screen(json)
        taken = take_in(source, folder, rooms, screen)
        screen.wipe()
        if json:
            _print_json({"copied": taken.copied, "there_already": taken.already, "failed": taken.failed})
        else:
            refused = f", {len(taken.failed)} not taken" if taken.failed else ""
            print(f"{len(taken.copied)} copied and checked, {len(taken.already)} there already{refused}")
            print(f"Next: {quoted(('panopipe', 'check', 'JOB'), str(folder))}")
    raise typer.Exit(FRAMES_FAILED if taken.failed else 0)


@app.command()
def verify(folder: JobFolder, json: AsJson = False, debug: Debug = False) -> None:
    """Prove that the originals are what they were at intake."""
    with _told(debug):
        from panopipe.run.intake import verify_originals

        screen = _screen(json)
        found = verify_originals(folder, screen)
        screen.wipe()
        if json:
            _print_json({"good": found.good, "wrong": found.wrong, "unknown": found.unknown})
        else:
            for path, why in found.wrong.items():
                print(f"{path}: {why}")
            for path in found.unknown:
                print(f"{path}: not in the manifest")
            print(f"{found.good} originals are what they were, {len(found.wrong)} are not")
    raise typer.Exit(FRAMES_FAILED if found.wrong else 0)


def main() -> None:
    """Run the command line."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")  # a name that the terminal cannot spell
    app()


@contextlib.contextmanager
def _told(debug: bool) -> Iterator[None]:
    """Turn what the rooms below raise into one line and an exit code."""
    try:
        yield
    except BrokenPipeError as error:  # the reader of our output has gone, as `| head` does
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # nothing is left to flush
        raise typer.Exit(0) from error
    except (ValueError, OSError) as error:
        if debug:
            traceback.print_exc()
        for line in getattr(error, "faults", ()) or [_what_to_do(error)]:
            print(f"panopipe: {line}", file=sys.stderr)
        raise typer.Exit(USAGE) from error
    except KeyboardInterrupt as error:
        print("panopipe: stopped", file=sys.stderr)
        raise typer.Exit(INTERRUPTED) from error
    except (typer.Exit, typer.Abort):
        raise
    except Exception as error:
        if debug:
            traceback.print_exc()
        text = " ".join(str(error).split())
        print(
            f"panopipe: a fault of its own ({type(error).__name__}: {text}); --debug tells more for a report",
            file=sys.stderr,
        )
        raise typer.Exit(OWN_FAULT) from error


def _what_to_do(error: ValueError | OSError) -> str:
    """Message of an error; with what helps, where only the system's own words came up."""
    from panopipe.run.steps import one_line

    number = error.errno if isinstance(error, OSError) else None
    if number == errno.ENOSPC:
        return "the disk is full; make room, then give the command again"
    if number in (errno.EACCES, errno.EPERM, errno.EROFS):
        return f"{one_line(error)}; allow it, or copy the job to a folder of your own"
    return one_line(error)


def _stop_like_ctrl_c() -> None:
    """Let a request to end, from the system or a closing terminal, stop the run as Ctrl-C does."""

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    for name in ("SIGTERM", "SIGHUP", "SIGBREAK"):
        with contextlib.suppress(ValueError, OSError):  # only in the main thread
            if hasattr(signal, name):
                signal.signal(getattr(signal, name), stop)


def _open(folder: Path) -> Job:
    from panopipe.job import open_job

    return open_job(folder)


def _chosen(job: Job, rooms: list[str] | None, frames: list[str] | None) -> set[FrameKey] | None:
    if not rooms and not frames:
        return None
    wanted = {job.room(room) for room in rooms or ()}
    return {key for key in job.frames if key.room in wanted} | {job.key(frame) for frame in frames or ()}


def _screen(json: bool) -> Screen:
    from panopipe.run.screen import Screen

    return Screen(sys.stderr if json else sys.stdout)


def _review(job: Job, debug: bool) -> ReviewSummary | None:
    """Make the review; a fault in it is told and costs no finished frame."""
    from panopipe.review.make import make_review

    try:
        return make_review(job.folder)
    except Exception as error:  # whatever it is, the frames are finished
        if debug:
            traceback.print_exc()
        print(f"panopipe: the review could not be made ({type(error).__name__}: {error})", file=sys.stderr)
        return None


def _code(summary: Summary) -> int:
    if summary.stopped:
        return INTERRUPTED if summary.interrupted else STOPPED
    return FRAMES_FAILED if summary.failed else 0


def _summary_json(summary: Summary) -> dict[str, Any]:
    return {
        "finished": [str(key) for key in summary.finished],
        "already_finished": [str(key) for key in summary.already],
        "failed": {str(key): summary.errors[key] for key in summary.failed},
        "left": summary.left,
        "stopped": summary.stopped,
        "seconds": round(summary.seconds, 3),
        "log": summary.log,
    }


def _print_json(value: object) -> None:
    print(json_.dumps(value, ensure_ascii=False, indent=2, default=list))


def _print_table(job: Job, summary: Summary, *, failures: bool = True) -> None:
    from panopipe.run.screen import table_lines

    for line in table_lines(job, summary, failures=failures):
        print(line)


def _toml(value: object) -> str:
    if isinstance(value, tuple):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    return json_.dumps(value, ensure_ascii=False)
