"""Settings from the command line: show them, set them, carry them to other rooms, say what there is."""

from __future__ import annotations

import json as json_
from contextlib import nullcontext
from typing import Annotated

import typer

from panopipe.cli.errors import told
from panopipe.cli.options import AsJson, Debug, JobFolder, Where
from panopipe.cli.output import print_json


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
    with told(debug):
        from panopipe.job import open_job
        from panopipe.recipe import BUILT_IN_ORIGIN, effective

        job = open_job(folder)
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
            print_json(
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
    with told(debug):
        from panopipe.job import open_job
        from panopipe.recipe.edit import set_values

        change = set_values(open_job(folder), where, assignments)
        print(f"{change.file}: {change.text()}" if change.lines else f"{change.file}: says so already")


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
    with told(debug):
        from panopipe.job import open_job
        from panopipe.recipe.edit import carried, settings_locked, write_change

        job = open_job(folder)
        with settings_locked(job) if write else nullcontext():
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


def schema(debug: Debug = False) -> None:
    """Print the JSON Schema of a recipe, for editors."""
    with told(debug):
        from panopipe.recipe.schema import recipe_schema

        print_json(recipe_schema())


def stages(
    name: Annotated[
        str | None, typer.Argument(metavar="STAGE", help="One of them, such as tone.", show_default=False)
    ] = None,
    debug: Debug = False,
) -> None:
    """List the stages, or the settings of one."""
    with told(debug):
        from panopipe.recipe.table import stage_lines, stages_lines

        for line in stage_lines(name) if name else stages_lines():
            print(line)


def _toml(value: object) -> str:
    if isinstance(value, tuple):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    return json_.dumps(value, ensure_ascii=False)
