"""A draft: values that are tried on a frame and not kept yet.

By `stage.key`, it holds a value, or None for a value that shall be inherited again: the file that says it now
will say it no longer.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any, Literal

from panopipe.frame import FrameKey
from panopipe.job import RECIPE_FILE, Job
from panopipe.recipe import FrameSettings, Recipe
from panopipe.recipe.edit import Change, changed
from panopipe.recipe.layers import Layer, checked_value, frame_file, room_file
from panopipe.registry import loaded_sink

Draft = Mapping[str, Any]
Level = Literal["job", "room", "frame"]
LEVELS: tuple[Level, ...] = ("job", "room", "frame")
"""The nearest to the frame last."""
Name = tuple[str, str]


def named(draft: Draft) -> dict[Name, Any]:
    """The draft by table and key.

    Raises
    ------
    ValueError
        If a name is not `stage.key`.
    """
    values = {}
    for name, value in draft.items():
        table, dot, key = name.partition(".")
        if not (table and dot and key):
            raise ValueError(f"{name!a} is no STAGE.KEY")
        values[table, key] = tuple(value) if isinstance(value, list) else value
    return values


def tried(job: Job, recipe: Recipe, key: FrameKey, draft: Draft) -> FrameSettings:
    """Settings of a frame with a draft on top.

    Raises
    ------
    ValueError
        If a value is not allowed, or its stage refuses it beside others; the message begins with the name.
    """
    layers = {layer.file: layer for layer in recipe.layers(key)}
    top: dict[Name, tuple[Any, int]] = {}
    for (table, name), value in named(draft).items():
        if value is not None:
            top[table, name] = (_checked(job, table, name, value), 0)
        elif (file := _said_by(layers.values(), (table, name))) is not None:
            kept = {said: held for said, held in layers[file].values.items() if said != (table, name)}
            layers[file] = Layer(file, kept)
    own = layers.get(frame_file(key), Layer(frame_file(key), {}))
    layers[own.file] = Layer(own.file, {**own.values, **top})
    settings = _with_layers(recipe, key, layers).settings(key)
    sink = loaded_sink(settings.order[-1])
    sink.outputs(settings.stages[sink.name])
    return settings


def with_changes(job: Job, recipe: Recipe, changes: Mapping[str, Layer]) -> Recipe:
    """A recipe as it would be with other layers, by file."""
    rooms = {room_file(room): room for room in job.rooms if room}
    frames = {frame_file(key): key for key in job.frames}
    new_rooms, new_frames, job_layer = dict(recipe.rooms), dict(recipe.frames), recipe.job_layer
    for file, layer in changes.items():
        if file in rooms:
            new_rooms[rooms[file]] = layer
        elif file in frames:
            new_frames[frames[file]] = layer
        elif file == RECIPE_FILE:
            job_layer = layer
    return replace(recipe, job_layer=job_layer, rooms=new_rooms, frames=new_frames)


def changes_of(job: Job, recipe: Recipe, key: FrameKey, draft: Draft, level: Level) -> tuple[Change, ...]:
    """Changes of recipe files that keep a draft; nothing is written.

    What a nearer file says of the same goes, so that the frame looks as it was tried.

    Raises
    ------
    JobError
        If a value or a file is wrong.
    ValueError
        If the frame is of no room, and its room is asked for.
    """
    goal = _file(key, level)
    new: dict[str, dict[str, dict[str, Any]]] = {}
    gone: dict[str, dict[str, set[str]]] = {}
    layers = recipe.layers(key)
    for (table, name), value in named(draft).items():
        if value is None:
            file = _said_by(layers, (table, name))
            if file is not None:
                gone.setdefault(file, {}).setdefault(table, set()).add(name)
            continue
        plain = list(value) if isinstance(value, tuple) else value
        new.setdefault(goal, {}).setdefault(table, {})[name] = plain
        for layer in layers:
            if LEVELS.index(level) < _level_of(key, layer.file) and (table, name) in layer.values:
                gone.setdefault(layer.file, {}).setdefault(table, set()).add(name)
    files = dict.fromkeys((*new, *gone))
    changes = (changed(job, file, new.get(file, {}), gone.get(file, {})) for file in files)
    return tuple(change for change in changes if change.lines)


def _checked(job: Job, table: str, name: str, value: object) -> Any:
    try:
        return checked_value(job, table, name, value)
    except (ValueError, KeyError) as error:
        raise ValueError(f"{table}.{name}: {error}") from error


def _said_by(layers: Iterable[Layer], name: Name) -> str | None:
    """The nearest file that says a value."""
    files = [layer.file for layer in layers if name in layer.values]
    return files[-1] if files else None


def _level_of(key: FrameKey, file: str) -> int:
    """How near to a frame one of its files stands, as a place in `LEVELS`."""
    return LEVELS.index("frame" if file == frame_file(key) else "job" if file == RECIPE_FILE else "room")


def _file(key: FrameKey, level: Level) -> str:
    if level == "room" and not key.room:
        raise ValueError(f"{key} is in no room; keep it for the frame or for the job")
    return {"frame": frame_file(key), "room": room_file(key.room), "job": RECIPE_FILE}[level]


def _with_layers(recipe: Recipe, key: FrameKey, layers: Mapping[str, Layer]) -> Recipe:
    rooms = {key.room: layers[room_file(key.room)]} if key.room and room_file(key.room) in layers else {}
    return replace(
        recipe,
        job_layer=layers.get(RECIPE_FILE),
        rooms=rooms,
        frames={key: layers[frame_file(key)]},
    )
