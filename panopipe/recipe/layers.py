"""The recipe files of a job, each read and checked by itself."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from panopipe.errors import Fault
from panopipe.files.toml import Document, TomlError, read_toml
from panopipe.frame import FrameKey
from panopipe.job import JOB_FILE, JOB_KEYS, OVERRIDES, Job, in_the_way, inside, nearest
from panopipe.registry import known_stages, loaded_stage
from panopipe.setting import Rule, rules
from panopipe.stage import SinkStage, SourceStage, Stage

PIPELINE, ORDER, USE = "pipeline", "order", "use"


@dataclass(frozen=True, slots=True)
class Layer:
    """What one recipe file sets.

    Attributes
    ----------
    file : str
        Relative to the job folder, with `/` between parts.
    values : mapping of (table, key) to (value, line)
        Checked values, as the stage will see them.
    """

    file: str
    values: Mapping[tuple[str, str], tuple[Any, int]]


def room_file(room: str) -> str:
    """Name of a room's recipe file inside the job folder."""
    return f"{OVERRIDES}/{room}.toml"


def frame_file(key: FrameKey) -> str:
    """Name of a frame's recipe file inside the job folder."""
    return f"{OVERRIDES}/{key}.toml"


def of_room_and_frame(job: Job, file: str) -> str:
    """Why a recipe file has two meanings: a room, and a frame that lies in none, have its name."""
    for room in job.rooms:
        if room and file == room_file(room) and FrameKey("", room) in job.frames:
            return f"would be of the room {room} and of the frame {room} in no room; rename the frame"
    return ""


def read_layer(job: Job, file: str, faults: list[Fault]) -> Layer | None:
    """Read one recipe file; None if there is none. What is wrong with it is added to `faults`."""
    path = job.folder / file
    try:
        if why := in_the_way(path, folder=False):
            faults.append(Fault(file, 0, why))
        if not path.is_file():
            return None
    except OSError:  # a frame's name so long that no recipe file can have it
        return None
    if not inside(job.folder, path):
        faults.append(Fault(file, 0, "is a link that leads out of the job folder"))
        return None
    if why := of_room_and_frame(job, file):
        faults.append(Fault(file, 0, why))
        return None
    try:
        document = read_toml(path)
    except (TomlError, OSError) as error:
        text = str(error) if isinstance(error, TomlError) else f"cannot be read ({error.strerror})"
        faults.append(Fault(file, getattr(error, "line", 0), text))
        return None
    return Layer(file, check_layer(job, file, document, faults))


def check_layer(
    job: Job, file: str, document: Document, faults: list[Fault]
) -> dict[tuple[str, str], tuple[Any, int]]:
    """Check what a recipe file says; return what is right, add what is wrong to `faults`."""
    values: dict[tuple[str, str], tuple[Any, int]] = {}
    for table, key, value in _pairs(file, document, faults):
        line = document.line(table, key)
        try:
            values[table, key] = (checked_value(job, table, key, value), line)
        except ValueError as error:
            faults.append(Fault(file, line, str(error), f"[{table}] {key}"))
    return values


def _pairs(file: str, document: Document, faults: list[Fault]) -> Iterator[tuple[str, str, Any]]:
    names = (*known_stages(), PIPELINE)
    for table, values in document.values.items():
        line = document.line(table)
        if table not in names:
            nameless = "stands in no table; write [STAGE] on a line above it"
            what = "no stage of this name is installed" if isinstance(values, Mapping) else nameless
            likely = nearest(table, names) or ("; install its package" if isinstance(values, Mapping) else "")
            if table in JOB_KEYS:
                likely = f"; it belongs into {JOB_FILE}"
            faults.append(Fault(file, line, f"{what}{likely} (known: {', '.join(names)})", f"[{table}]"))
        elif not isinstance(values, Mapping):
            faults.append(Fault(file, line, f"must be a table: [{table}] on a line of its own", table))
        else:
            for key, value in values.items():
                yield table, key, value


def checked_value(job: Job, table: str, key: str, value: object) -> Any:
    """Return the value as its stage will see it.

    Raises
    ------
    ValueError
        If it is not allowed.
    """
    if table == PIPELINE:
        if key != ORDER:
            raise ValueError(f"unknown here; did you mean {ORDER}?")
        return checked_order(value)
    try:
        stage = loaded_stage(table)
    except ImportError as error:
        raise ValueError(str(error)) from error
    if key == USE:
        if not isinstance(value, bool):
            raise ValueError(f"{_shown(value)} is not allowed here; true or false is")
        if not value and isinstance(stage, SourceStage | SinkStage):
            raise ValueError(f"{table} is an end of the pipeline and cannot be left out")
        return value
    known = rules(stage.Settings)
    if key not in known:
        for name, rule in known.items():
            if key == rule.formerly:
                raise ValueError(f"is called {name} now; rename it")
        raise ValueError(f"no such setting{nearest(key, (*known, USE))} (known: {', '.join((*known, USE))})")
    taken = known[key].take(value)
    if known[key].kind == "picture" and taken:
        _check_picture(job, taken)
    return taken


def checked_order(value: object) -> tuple[str, ...]:
    """Check the order of the stages: a source, stages that change light, a sink; none twice.

    Raises
    ------
    ValueError
        If it is no such order.
    """
    if not isinstance(value, list | tuple) or not all(isinstance(name, str) for name in value):
        raise ValueError('must be a list of stages: ["decode", ..., "export"]')
    order = tuple(value)
    names = known_stages()
    for name in order:
        if name not in names:
            raise ValueError(
                f"no stage {name} is installed{nearest(name, names) or '; install its package'} "
                f"(known: {', '.join(names)})"
            )
    if len(set(order)) != len(order):
        raise ValueError(f"{next(n for n in order if order.count(n) > 1)} stands there twice")
    try:
        stages = [loaded_stage(name) for name in order]
    except ImportError as error:
        raise ValueError(str(error)) from error
    if not stages or not isinstance(stages[0], SourceStage):
        raise ValueError("must begin with a stage that reads files, such as decode")
    if len(stages) < 2 or not isinstance(stages[-1], SinkStage):
        raise ValueError("must end with a stage that makes files, such as export")
    for name, middle in zip(order[1:-1], stages[1:-1], strict=True):
        if isinstance(middle, SourceStage | SinkStage):
            raise ValueError(f"{name} can only stand at an end")
    return order


def _check_picture(job: Job, name: str) -> None:
    path = Path(name)
    if path.is_absolute() or "\\" in name or not inside(job.folder, job.folder / path):
        raise ValueError(f'"{name}" leads out of the job folder; put the picture into it')
    if not (job.folder / path).is_file():
        raise ValueError(f'there is no file "{name}" in the job folder')


def _shown(value: object) -> str:
    return f'"{value}"' if isinstance(value, str) else str(value)


def setting_rules(stage: Stage[Any]) -> Mapping[str, Rule]:
    """Rules of a stage's settings, in order."""
    return rules(stage.Settings)
