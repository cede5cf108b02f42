"""The table of stages: what is installed, loaded when first used, held to the contract before any work."""

from __future__ import annotations

import importlib
import inspect
import warnings
from collections.abc import Iterator, Mapping
from functools import cache
from importlib.metadata import EntryPoint, entry_points
from typing import Any

from panopipe.setting import rules
from panopipe.stage import MarginStage, Note, RowStage, SinkStage, SourceStage, SpanStage, Stage

ENTRY_POINTS = "panopipe.stages"
"""Group in which an installed package names its stages: `name = "package.module:StageClass"`."""

BUILT_IN: dict[str, str] = {
    "decode": "panopipe.stages.decode:Decode",
    "denoise": "panopipe.stages.denoise:Denoise",
    "light": "panopipe.stages.light:Light",
    "tone": "panopipe.stages.tone:Tone",
    "vibrance": "panopipe.stages.vibrance:Vibrance",
    "balance": "panopipe.stages.balance:Balance",
    "nadir": "panopipe.stages.nadir:Nadir",
    "level": "panopipe.stages.level:Level",
    "sharpen": "panopipe.stages.sharpen:Sharpen",
    "north": "panopipe.stages.north:North",
    "export": "panopipe.stages.export:Export",
}
"""Stages that come with panopipe, by name, in the default order; imported when first used."""

DEFAULT_ORDER: tuple[str, ...] = tuple(BUILT_IN)

_KINDS = (RowStage, MarginStage, SpanStage, SourceStage, SinkStage)


def known_stages() -> tuple[str, ...]:
    """Names of all stages that are installed, built-in ones first; loads none of them."""
    return (*BUILT_IN, *(name for name in sorted(_plugins()) if name not in BUILT_IN))


@cache
def loaded_stage(name: str) -> Stage[Any]:
    """Load a stage by name, once.

    Raises
    ------
    KeyError
        If no stage of that name is installed.
    ImportError
        If the stage's package fails to load or breaks the contract; the message names package, class and
        method, and what was expected.
    """
    if name in BUILT_IN:
        module, _, attribute = BUILT_IN[name].partition(":")
        return _checked(name, getattr(importlib.import_module(module), attribute), "panopipe")
    point = _plugins()[name]
    origin = f"{point.dist.name} {point.dist.version}" if point.dist else point.value
    try:
        loaded = point.load()
    except Exception as error:
        raise ImportError(f"stage {name} of {origin} does not load ({error}); mend that package") from error
    return _checked(name, loaded, origin)


def loaded_source(name: str) -> SourceStage[Any]:
    """Load the stage that opens frames; errors as of `loaded_stage`, and TypeError if it opens none."""
    stage = loaded_stage(name)
    if not isinstance(stage, SourceStage):
        raise TypeError(f"stage {name} opens no frames")
    return stage


def loaded_sink(name: str) -> SinkStage[Any]:
    """Load the stage that makes files; errors as of `loaded_stage`, and TypeError if it makes none."""
    stage = loaded_stage(name)
    if not isinstance(stage, SinkStage):
        raise TypeError(f"stage {name} makes no files")
    return stage


def contract_faults(name: str, cls: Any) -> Iterator[str]:
    """What of a class breaks the stage contract, in words; nothing if it keeps it.

    Parameters
    ----------
    name : str
        The stage's name in the table.
    cls : object
        What was loaded under that name.
    """
    if not (isinstance(cls, type) and issubclass(cls, _KINDS)):
        yield "is no class derived from RowStage, MarginStage, SpanStage, SourceStage or SinkStage"
        return
    yield from _declaration_faults(name, cls)
    yield from _method_faults(cls)


def _declaration_faults(name: str, cls: type[Stage[Any]]) -> Iterator[str]:
    if not (isinstance(said := getattr(cls, "name", None), str) and said == name):
        yield f"calls itself {said!r} ({cls.__name__}.name); expected {name!r}"
    version = getattr(cls, "version", None)
    if not isinstance(version, int) or isinstance(version, bool):
        yield f"has {cls.__name__}.version {version!r}; expected a whole number"
    summary = getattr(cls, "summary", None)
    if not (isinstance(summary, str) and summary):
        yield f"has {cls.__name__}.summary {summary!r}; expected one line for the photographer"
    notes = cls.notes
    if not (isinstance(notes, Mapping) and all(isinstance(note, Note) for note in notes.values())):
        yield f"has {cls.__name__}.notes that are no mapping of names to Note"
    if not hasattr(cls, "Settings"):
        yield f"declares no {cls.__name__}.Settings; expected a frozen dataclass"
        return
    try:
        known = rules(cls.Settings)
    except TypeError as error:
        yield f"has {cls.__name__}.Settings that break the contract ({error})"
        return
    looked_at = cls.survey_settings
    if looked_at is not None and not (isinstance(looked_at, tuple) and set(looked_at) <= set(known)):
        yield f"has {cls.__name__}.survey_settings {looked_at!r}; expected a tuple of its settings' names"
    alone = cls.solve_settings
    if not (isinstance(alone, tuple) and set(alone) <= set(known)):
        yield f"has {cls.__name__}.solve_settings {alone!r}; expected a tuple of its settings' names"


def _method_faults(cls: type[Stage[Any]]) -> Iterator[str]:
    """Methods that are missing or take other arguments than the base class says."""
    base = next(kind for kind in _KINDS if issubclass(cls, kind))
    for name in sorted(cls.__abstractmethods__):
        yield f"lacks {cls.__name__}.{name}{_arguments(getattr(base, name))}"
    overridden = [name for name in ("survey", "solve") if getattr(cls, name) is not getattr(Stage, name)]
    if len(overridden) == 1:
        other = "solve" if overridden == ["survey"] else "survey"
        yield f"has {cls.__name__}.{overridden[0]} without {other}; expected both or neither"
    for name in sorted(name for name in vars(base).keys() | {"survey", "solve"} if name[0] != "_"):
        expected, given = getattr(base, name), getattr(cls, name)
        if not inspect.isfunction(expected) or given is expected:
            continue
        if not callable(given) or not _takes(given, expected):
            got = _arguments(given) if callable(given) else f" = {given!r}"
            yield f"has {cls.__name__}.{name}{got}; expected {name}{_arguments(expected)}"


def _takes(given: Any, expected: Any) -> bool:
    """Whether a method can be called as the base class's: what has no default by place, the rest by name."""
    wanted = list(inspect.signature(expected).parameters.values())
    by_place = [item for item in wanted if item.default is item.empty]
    by_name = {item.name: None for item in wanted if item.default is not item.empty}
    try:
        inspect.signature(given).bind(*by_place)
        inspect.signature(given).bind(*by_place, **by_name)
    except (TypeError, ValueError):
        return False
    return True


def _arguments(method: Any) -> str:
    try:
        return f"({', '.join(inspect.signature(method).parameters)})"
    except (TypeError, ValueError):  # something built in, which does not tell
        return f" = {method!r}"


def _plugins() -> dict[str, EntryPoint]:
    points: dict[str, EntryPoint] = {}
    for point in entry_points(group=ENTRY_POINTS):
        if point.name in BUILT_IN or (point.name in points and points[point.name].value != point.value):
            warnings.warn(f"stage {point.name} of {point.value} is left out: the name is taken", stacklevel=2)
            continue
        points[point.name] = point
    return points


def _checked(name: str, cls: Any, origin: str) -> Stage[Any]:
    for fault in contract_faults(name, cls):
        raise ImportError(f"stage {name} of {origin} {fault}; mend that package")
    made: Stage[Any] = cls()
    return made
