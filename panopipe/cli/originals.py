"""Originals: into the job, and the proof that nothing changed them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from panopipe.cli.errors import FRAMES_FAILED, told
from panopipe.cli.options import AsJson, Debug, JobFolder
from panopipe.cli.output import print_json, screen_for
from panopipe.errors import printable


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
    with told(debug):
        from panopipe.review.words import quoted
        from panopipe.run.intake import take_in

        screen = screen_for(json)
        taken = take_in(source, folder, rooms, screen)
        screen.wipe()
        if json:
            print_json({"copied": taken.copied, "there_already": taken.already, "failed": taken.failed})
        else:
            refused = f", {len(taken.failed)} not taken" if taken.failed else ""
            print(f"{len(taken.copied)} copied and checked, {len(taken.already)} there already{refused}")
            print(f"Next: {quoted(('panopipe', 'check', 'JOB'), str(folder))}")
    raise typer.Exit(FRAMES_FAILED if taken.failed else 0)


def verify(folder: JobFolder, json: AsJson = False, debug: Debug = False) -> None:
    """Prove that the originals are what they were at intake, or that a delivery is what it was.

    A delivery is proved by its folder or zip in place of the job.
    """
    with told(debug):
        from panopipe.delivery.checksums import is_delivery, verify_delivery
        from panopipe.run.remarks import lines_of_takes, set_aside
        from panopipe.state.manifest import verify_originals

        screen = screen_for(json)
        delivered = is_delivery(folder)
        verified = (verify_delivery if delivered else verify_originals)(folder, screen)
        screen.wipe()
        if json:
            told_of = {"good": verified.good, "wrong": verified.wrong, "unknown": verified.unknown}
            print_json(told_of | {"set_aside": [] if delivered else list(set_aside(folder))})
        else:
            for path, why in verified.wrong.items():
                print(printable(f"{path}: {why}"))
            for path in verified.unknown:
                print(printable(f"{path}: not in the {'list' if delivered else 'manifest'}"))
            what = "files as they were delivered" if delivered else "originals as they were at intake"
            print(f"{what}: {verified.good}, not: {len(verified.wrong)}")
            for line in () if delivered else lines_of_takes(folder):
                print(printable(line))
    raise typer.Exit(FRAMES_FAILED if verified.wrong else 0)
