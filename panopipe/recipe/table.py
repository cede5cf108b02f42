"""The stages and their settings as tables to read."""

from __future__ import annotations

import dataclasses
import textwrap
from collections.abc import Iterator
from typing import Any

from panopipe.job import nearest
from panopipe.recipe.layers import USE, setting_rules
from panopipe.registry import DEFAULT_ORDER, known_stages, loaded_stage
from panopipe.stage import Stage

_WIDTH = 100


def stages_lines() -> Iterator[str]:
    """One line per installed stage; one that does not load says what to mend."""
    for name in known_stages():
        mark = "" if name in DEFAULT_ORDER else "  (not in the default order)"
        try:
            yield f"{name:14} {loaded_stage(name).summary}{mark}"
        except ImportError as error:
            yield f"{name:14} cannot be used: {error}"
    yield ""
    yield "panopipe stages STAGE shows the settings of one."


def stage_lines(name: str) -> Iterator[str]:
    """Settings of a stage: built-in value, what is allowed, what it does.

    Raises
    ------
    ValueError
        If there is no such stage or it does not load.
    """
    stage = _named(name)
    defaults = stage.Settings()
    yield f"[{name}]  {stage.summary}"
    yield from _entry(USE, "true", "true or false", "Whether the frame goes through this stage.")
    for key, rule in setting_rules(stage).items():
        yield from _entry(key, _shown(getattr(defaults, key)), rule.allowed(), rule.help)


def stages_json(name: str | None = None) -> list[dict[str, Any]]:
    """Stages, or one of them, with their settings, as plain values for scripts.

    Raises
    ------
    ValueError
        If there is no such stage or it does not load.
    """
    loaded = [_named(name)] if name else [_named(each) for each in known_stages() if _loads(each)]
    return [_plain(stage) for stage in loaded]


def _plain(stage: Stage[Any]) -> dict[str, Any]:
    defaults = stage.Settings()
    settings = {
        key: {"default": getattr(defaults, key), **dataclasses.asdict(rule)}
        for key, rule in setting_rules(stage).items()
    }
    return {"name": stage.name, "version": stage.version, "summary": stage.summary, "settings": settings}


def _loads(name: str) -> bool:
    try:
        loaded_stage(name)
    except ImportError:
        return False
    return True


def _named(name: str) -> Stage[Any]:
    if name not in known_stages():
        known = ", ".join(known_stages())
        raise ValueError(f"no stage {name} is installed{nearest(name, known_stages())} (known: {known})")
    try:
        return loaded_stage(name)
    except ImportError as error:
        raise ValueError(str(error)) from error


def _entry(key: str, default: str, allowed: str, help_: str) -> Iterator[str]:
    yield f"  {key} = {default}"
    yield from textwrap.wrap(
        f"{help_} ({allowed})", _WIDTH, initial_indent="      ", subsequent_indent="      "
    )


def _shown(value: object) -> str:
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, tuple):
        return "[" + ", ".join(map(_shown, value)) + "]"
    return str(value).lower() if isinstance(value, bool) else f"{value:g}"
