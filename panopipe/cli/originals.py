"""Originals: into the job, and the proof that nothing changed them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from panopipe.cli.errors import FRAMES_FAILED, told
from panopipe.cli.options import AsJson, Debug, JobFolder, Workers
from panopipe.cli.output import print_json, screen_for
from panopipe.errors import printable

if TYPE_CHECKING:
    from panopipe.job import Job


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

    Nothing is ever written over. A manifest notes hash, size and time of each original. Every frame is opened
    once, so that a damaged one is known while the card still holds it.
    """
    with told(debug):
        from panopipe.job import open_job
        from panopipe.recipe import load_recipe
        from panopipe.review.words import quoted
        from panopipe.run.checking import check_originals
        from panopipe.run.grouping import recognised
        from panopipe.run.intake import take_in

        screen = screen_for(json)
        taken = take_in(source, folder, rooms, screen)
        screen.wipe()
        if not json:
            refused = f", {len(taken.failed)} not taken" if taken.failed else ""
            print(f"{len(taken.copied)} copied and checked, {len(taken.already)} there already{refused}")
        job = open_job(folder)
        recipe = load_recipe(job)
        unreadable = check_originals(job, recipe, screen).failed  # file by file, before exposures are merged
        job = recognised(job, recipe, screen, keeps=False)
        screen.wipe()
        if json:
            told_of = {"copied": taken.copied, "there_already": taken.already, "failed": taken.failed}
            shut = {str(key): why for key, why in unreadable.items()}
            print_json(told_of | {"same": taken.same, "unreadable": shut})
        else:
            for goal, other in taken.same.items():
                print(
                    printable(f"{goal} is {other} once more, byte for byte; take one of them out of the job")
                )
            for key, why in unreadable.items():
                print(printable(f"{key}: {why}"))
            _say_rooms(folder, job, len(unreadable))
            print(f"Next: {quoted(('panopipe', 'check', 'JOB'), str(folder))}")
    raise typer.Exit(FRAMES_FAILED if taken.failed or unreadable else 0)


def rooms(
    folder: JobFolder,
    accept: Annotated[bool, typer.Option("--accept", help="Write the proposed rooms into job.toml.")] = False,
    workers: Workers = None,
    json: AsJson = False,
    debug: Debug = False,
) -> None:
    """Propose rooms where folders do not tell them: by what the frames share.

    Looks at all frames as a run does, and keeps what it saw for the run. Frames in rooms that you named stay.
    """
    with told(debug):
        from panopipe.job import open_job
        from panopipe.job.inventory import inventory
        from panopipe.recipe import load_recipe
        from panopipe.recipe.rooms import accept_rooms, rooms_table
        from panopipe.review.words import quoted
        from panopipe.run.job_run import Options, look_at_job
        from panopipe.run.rooms import proposed_rooms

        job = open_job(folder)
        screen = screen_for(json)
        looked = look_at_job(job, load_recipe(job), Options(workers=workers), screen)
        screen.wipe()
        proposed = proposed_rooms(looked)
        if accept and proposed:
            accept_rooms(job, proposed)
        if json:
            print_json({"rooms": {room: [str(key) for key in keys] for room, keys in proposed.items()}})
            return
        print(inventory(looked.job).line(len(proposed), len(looked.failed)))
        if not proposed:
            if not looked.failed:
                print("every frame is in a room that you named")
            return
        print(printable_lines(rooms_table(proposed)))
        if accept:
            print(
                "written into job.toml; name the rooms there before the run: finished folders take the names"
            )
            print(f"Next: {quoted(('panopipe', 'run', 'JOB'), str(folder))}")
        else:
            print(f"To take them: {quoted(('panopipe', 'rooms', 'JOB', '--accept'), str(folder))}")


def printable_lines(text: str) -> str:
    """Text of several lines with nothing in it that a terminal would obey."""
    return "\n".join(map(printable, text.splitlines()))


def _say_rooms(folder: Path, job: Job, unreadable: int) -> None:
    """Say after an intake what there is, and whether the folders tell the rooms."""
    from panopipe.job.inventory import camera_rooms, inventory, wants_rooms
    from panopipe.review.words import quoted

    print(inventory(job).line(unreadable=unreadable))
    if wants_rooms(job):
        named = camera_rooms(job)
        of = (
            f"{', '.join(named)}: the camera's own folders, and no rooms"
            if named
            else "no folders tell the rooms"
        )
        print(printable(f"{of}; rooms are proposed by: {quoted(('panopipe', 'rooms', 'JOB'), str(folder))}"))


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
