"""The cascade: which value is in force for a frame, and which file said so."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from functools import cache
from typing import Any

from panopipe.errors import Fault, JobError
from panopipe.frame import FrameKey
from panopipe.job import OVERRIDES, RECIPE_FILE, Job, in_the_way, inside, nearest
from panopipe.recipe.layers import ORDER, PIPELINE, USE, Layer, frame_file, read_layer, room_file
from panopipe.registry import DEFAULT_ORDER, loaded_sink, loaded_stage

BUILT_IN_ORIGIN = "built-in"


@dataclass(frozen=True, slots=True)
class Value:
    """A setting in force: its value and where it comes from (`recipe.toml:12`, or "built-in")."""

    value: Any
    origin: str = BUILT_IN_ORIGIN


@dataclass(frozen=True, slots=True)
class FrameSettings:
    """What is in force for one frame.

    Attributes
    ----------
    order : tuple of str
        Stages that the frame goes through, in order; those switched off are left out.
    stages : mapping of str to object
        Settings of each stage in `order`, as the stage takes them.
    values : mapping of str to mapping of str to Value
        The same with origins, `use` among them, for every stage of the pipeline, switched off or not;
        and under "pipeline" the order as the recipe gives it.
    """

    order: tuple[str, ...]
    stages: Mapping[str, Any]
    values: Mapping[str, Mapping[str, Value]]


@dataclass(frozen=True, slots=True)
class Recipe:
    """All recipe files of a job, read and found right, and the frames that they are for."""

    keys: tuple[FrameKey, ...]
    job_layer: Layer | None
    rooms: Mapping[str, Layer]
    frames: Mapping[FrameKey, Layer]
    _made: dict[tuple[int, ...], FrameSettings] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    def layers(self, key: FrameKey) -> tuple[Layer, ...]:
        """Files that bear on a frame, the weakest first."""
        layers = (self.job_layer, self.rooms.get(key.room), self.frames.get(key))
        return tuple(layer for layer in layers if layer is not None)

    def idle(self) -> tuple[str, ...]:
        """A line for each table of a stage that no frame goes through: most likely it was forgotten."""
        files: dict[str, tuple[Layer, set[str]]] = {}
        for key in self.keys:
            order = set(self.settings(key).values) | {PIPELINE}
            for layer in self.layers(key):
                files.setdefault(layer.file, (layer, set()))[1].update(order)
        return tuple(
            f"{file}: [{table}] is set, but {table} is not in the order of the pipeline"
            for file, (layer, used) in files.items()
            for table in dict.fromkeys(name for name, _ in layer.values)
            if table not in used
        )

    def settings(self, key: FrameKey) -> FrameSettings:
        """What is in force for a frame; one and the same for all that the same files bear on."""
        layers = self.layers(key)
        same = tuple(map(id, layers))  # they live as long as the recipe
        if same not in self._made:
            self._made[same] = _in_force(layers)
        return self._made[same]


def _in_force(layers: Sequence[Layer]) -> FrameSettings:
    """What files say together, the weakest first."""
    said: dict[tuple[str, str], Value] = {}
    for layer in layers:
        for name, (value, line) in layer.values.items():
            said[name] = Value(value, f"{layer.file}:{line}" if line else layer.file)
    order = said.get((PIPELINE, ORDER), Value(DEFAULT_ORDER))
    values: dict[str, Mapping[str, Value]] = {PIPELINE: {ORDER: order}}
    stages: dict[str, Any] = {}
    for name in order.value:
        values[name] = {
            setting: said.get((name, setting), Value(default))
            for setting, default in {USE: True, **_defaults(name)}.items()
        }
        if values[name][USE].value:
            given = {setting: value.value for setting, value in values[name].items() if setting != USE}
            stages[name] = loaded_stage(name).Settings(**given)
    return FrameSettings(tuple(stages), stages, values)


@cache
def _defaults(name: str) -> dict[str, Any]:
    return {item.name: item.default for item in fields(loaded_stage(name).Settings)}


def load_recipe(job: Job) -> Recipe:
    """Read every recipe file of a job.

    Raises
    ------
    JobError
        If anything in any of them is wrong; all faults are told.
    """
    faults: list[Fault] = []
    job_layer = read_layer(job, RECIPE_FILE, faults)
    rooms: dict[str, Layer] = {}
    frames: dict[FrameKey, Layer] = {}
    for room in job.rooms:
        if room and (layer := read_layer(job, room_file(room), faults)):
            rooms[room] = layer
    for key in job.frames:
        if layer := read_layer(job, frame_file(key), faults):
            frames[key] = layer
    faults += _stray_files(job)
    recipe = Recipe(tuple(job.frames), job_layer, rooms, frames)
    if not faults:
        faults += _unloadable(recipe, job)
    if not faults:
        faults += _at_odds(recipe, job)
    if faults:
        raise JobError(dict.fromkeys(faults))
    return recipe


def effective(job: Job, key: FrameKey) -> FrameSettings:
    """Settings in force for one frame, with their origins; reads the job's recipe files.

    Raises
    ------
    JobError
        If a recipe file of the job is wrong.
    """
    return load_recipe(job).settings(key)


def _stray_files(job: Job) -> list[Fault]:
    """Files under overrides/ that belong to no room and no frame: most likely a name mistyped."""
    folder = job.folder / OVERRIDES
    if why := in_the_way(folder, folder=True):
        return [Fault(OVERRIDES, 0, why)]
    if not folder.is_dir():
        return []
    if not inside(job.folder, folder):
        return [Fault(OVERRIDES, 0, "is a link that leads out of the job folder")]
    known = {room_file(room) for room in job.rooms if room}
    known |= {frame_file(key) for key in (*job.frames, *job.alone)}
    faults = []
    for path in sorted(folder.rglob("*.toml")):
        name = path.relative_to(job.folder).as_posix()
        if name not in known and not path.name.startswith(".") and not job.is_of_unread(_bare(name)):
            likely = nearest(_bare(name), map(_bare, known))
            faults.append(Fault(name, 0, f"rename or remove it: no room or frame has this name{likely}"))
    return faults


def _bare(file: str) -> str:
    """Room or frame that an override file is named after."""
    return file.removeprefix(f"{OVERRIDES}/").removesuffix(".toml")


def _at_odds(recipe: Recipe, job: Job) -> list[Fault]:
    """Settings that are right each for itself, and that their stage refuses together."""
    faults = []
    for key in job.frames:
        try:
            settings = recipe.settings(key)
            sink = loaded_sink(settings.order[-1])
            sink.outputs(settings.stages[sink.name])
        except ValueError as error:
            faults.append(_fault_of(str(error), recipe.layers(key)))
    return faults


def _fault_of(error: str, layers: tuple[Layer, ...]) -> Fault:
    """The fault that a stage told as `setting: why`, at the last line that says the setting."""
    setting, _, why = error.partition(": ")
    for layer in reversed(layers):
        for (table, name), (_, line) in layer.values.items():
            if name == setting:
                return Fault(layer.file, line, why, f"[{table}] {setting}")
    return Fault(layers[-1].file if layers else RECIPE_FILE, 0, error)


def _unloadable(recipe: Recipe, job: Job) -> list[Fault]:
    """Stages in force that do not load."""
    faults = []
    for key in job.frames:
        order = DEFAULT_ORDER
        for layer in recipe.layers(key):
            order = layer.values.get((PIPELINE, ORDER), (order, 0))[0]
        for name in order:
            try:
                loaded_stage(name)
            except ImportError as error:
                faults.append(Fault(RECIPE_FILE, 0, str(error), f"[{name}]"))
    return faults
