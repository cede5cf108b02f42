"""Settings from the command line: show them, set them, carry them to other rooms, say what there is."""

from __future__ import annotations

import json as json_
from contextlib import nullcontext
from typing import TYPE_CHECKING, Annotated, Any

import typer

from panopipe.cli.errors import told
from panopipe.cli.options import AsJson, Debug, JobFolder, Where
from panopipe.cli.output import print_json
from panopipe.errors import printable

if TYPE_CHECKING:
    from panopipe.recipe.edit import Change
    from panopipe.recipe.journal import Journal


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
        from panopipe.state.ledger import read_records

        job = open_job(folder)
        key = job.key(frame)
        noted = next((record.notes for record in read_records(job.folder) if record.key == key), {})
        shown = {
            table: {
                name: {
                    "value": value.value,
                    "origin": value.origin,
                    **_chosen(value.value, noted.get(table, {}).get(name)),
                }
                for name, value in values.items()
                if not (changed and value.origin == BUILT_IN_ORIGIN)
            }
            for table, values in effective(job, key).values.items()
        }
        if json:
            print_json(shown)
        else:
            _print_settings(shown)


def _print_settings(shown: dict[str, dict[str, dict[str, Any]]]) -> None:
    for table, values in shown.items():
        if values:
            print(f"[{table}]")
        for name, held in values.items():
            value = held["value"]
            words = f"   # chose {held['chosen']} when it was finished" if "chosen" in held else ""
            print(f"  {f'{name} = {_toml(value)}':44} {held['origin']}{words}")


def set_(
    folder: JobFolder,
    where: Where,
    assignments: Annotated[
        list[str],
        typer.Argument(metavar="STAGE.KEY=VALUE", help="Such as tone.exposure_ev=0.3.", show_default=False),
    ],
    json: AsJson = False,
    debug: Debug = False,
) -> None:
    """Set values for the job, a room or a frame.

    Comments and order of the file stay as they are. `panopipe undo JOB` takes it back.
    """
    with told(debug):
        from panopipe.job import open_job
        from panopipe.recipe.journal import set_values

        _tell_change(set_values(open_job(folder), where, assignments), json)


def unset(
    folder: JobFolder,
    where: Where,
    names: Annotated[
        list[str],
        typer.Argument(
            metavar="STAGE.KEY", help="Such as tone.exposure_ev; a STAGE for all of it.", show_default=False
        ),
    ],
    json: AsJson = False,
    debug: Debug = False,
) -> None:
    """Remove values from the job, a room or a frame, so that they are inherited again."""
    with told(debug):
        from panopipe.job import open_job
        from panopipe.recipe.journal import unset_values

        _tell_change(unset_values(open_job(folder), where, names), json)


def undo(
    folder: JobFolder,
    again: Annotated[
        bool, typer.Option("--again", help="Write the step again that was taken back last.")
    ] = False,
    show: Annotated[
        bool, typer.Option("--list", help="List the steps, the newest first; change nothing.")
    ] = False,
    json: AsJson = False,
    debug: Debug = False,
) -> None:
    """Take back what set, unset, carry or the page wrote, the last step first.

    A file that was changed by hand since is left alone.
    """
    with told(debug):
        from panopipe.job import open_job
        from panopipe.recipe.journal import put_again, read_journal, take_back

        job = open_job(folder)
        if show:
            _list_steps(read_journal(job), json)
            return
        done = put_again(job) if again else take_back(job)
        if json:
            print_json({"said": done.said, "changes": [_change_json(change) for change in done.changes]})
            return
        print(printable(f"{'written again' if again else 'taken back'}: {done.said}"))
        for change in done.changes:
            print(f"{change.file}: {change.text()}")


def prefer(
    folder: JobFolder,
    take: Annotated[
        str, typer.Argument(metavar="ROOM/FRAME", help="The take, by its own name.", show_default=False)
    ],
    found: Annotated[
        bool, typer.Option("--as-found", help="Prefer none of its stand: let the takes be judged again.")
    ] = False,
    json: AsJson = False,
    debug: Debug = False,
) -> None:
    """Finish this take of a stand instead of the one that was chosen.

    It is one line of job.toml, and stays in force until you take it out or call this with --as-found.
    """
    with told(debug):
        from panopipe.job import open_job
        from panopipe.recipe.prefer import leave_choice
        from panopipe.recipe.prefer import prefer as prefer_take
        from panopipe.review.words import quoted

        frame = (leave_choice if found else prefer_take)(open_job(folder), take)
        if json:
            print_json({"frame": str(frame), "take": None if found else take})
        else:
            print(
                printable(f"job.toml: {f'none preferred for {frame}' if found else f'{take} is preferred'}")
            )
            print(f"Next: {quoted(('panopipe', 'run', 'JOB', '--frame', str(frame)), str(folder))}")


def _list_steps(journal: Journal, json: bool) -> None:
    steps = [
        {"said": step.said, "stands": place < journal.standing, "files": [c.file for c in step.changes]}
        for place, step in enumerate(journal.steps)
    ]
    if json:
        print_json(steps)
        return
    for step in reversed(steps):
        print(printable(f"{'' if step['stands'] else '(taken back) '}{step['said']}"))


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
    json: AsJson = False,
    debug: Debug = False,
) -> None:
    """Take one room's settings to other rooms.

    Shows the change, and writes it with --write. Comments and order of the files stay.
    """
    with told(debug):
        from panopipe.job import open_job
        from panopipe.recipe.edit import carried, settings_locked
        from panopipe.recipe.journal import write_step

        job = open_job(folder)
        with settings_locked(job) if write else nullcontext():
            changes = carried(job, source, rooms, stage or [])
            if write:
                write_step(job, f"carry {source} {' '.join(rooms)}", changes)
        if json:
            print_json({"written": write, "changes": [_change_json(change) for change in changes]})
            return
        for change in changes:
            print(f"{change.file}:" if change.lines else f"{change.file}: the same already")
            for line in change.lines:
                print(f"  {line}")
        if not write:
            print("nothing is written yet; add --write to write it")


def schema(
    links: Annotated[
        bool, typer.Option("--links", help="That of links.json instead, for importers.")
    ] = False,
    debug: Debug = False,
) -> None:
    """Print the JSON Schema of a recipe, for editors."""
    with told(debug):
        if links:
            from panopipe.state.links_schema import LINKS_SCHEMA

            print_json(LINKS_SCHEMA)
            return
        from panopipe.recipe.schema import recipe_schema

        print_json(recipe_schema())


def stages(
    name: Annotated[
        str | None, typer.Argument(metavar="STAGE", help="One of them, such as tone.", show_default=False)
    ] = None,
    json: AsJson = False,
    debug: Debug = False,
) -> None:
    """List the stages, or the settings of one."""
    with told(debug):
        from panopipe.recipe.table import stage_lines, stages_json, stages_lines

        if json:
            print_json(stages_json(name))
            return
        for line in stage_lines(name) if name else stages_lines():
            print(line)


def _chosen(value: object, noted: float | str | None) -> dict[str, float | str]:
    """What was chosen for a setting that is left to its stage, once a run has told."""
    return {"chosen": noted} if value == "auto" and noted is not None else {}


def _toml(value: object) -> str:
    if isinstance(value, tuple):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    return json_.dumps(value, ensure_ascii=False)


def _tell_change(change: Change, json: bool) -> None:
    if json:
        print_json(_change_json(change))
    else:
        print(f"{change.file}: {change.text()}" if change.lines else f"{change.file}: says so already")


def _change_json(change: Change) -> dict[str, Any]:
    return {"file": change.file, "lines": list(change.lines)}
