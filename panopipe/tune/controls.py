"""Controls of a frame's settings, made from what its stages declare."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, NamedTuple

from panopipe.frame import FrameKey
from panopipe.job import RECIPE_FILE
from panopipe.recipe import BUILT_IN_ORIGIN, FrameSettings, Value
from panopipe.recipe.layers import PIPELINE, USE, frame_file, setting_rules
from panopipe.registry import loaded_stage
from panopipe.setting import Rule
from panopipe.stage import SinkStage, SourceStage

_STEPS = 200
"""Steps that a slider has, about: as many as a hand can tell on one."""


class Gesture(NamedTuple):
    """What a hand can do in the picture, and the settings that it moves."""

    name: str
    settings: tuple[str, ...]


GESTURES = (
    Gesture("neutral", ("balance.neutral_yaw_deg", "balance.neutral_pitch_deg")),
    Gesture("foot", ("nadir.foot_radius_m", "nadir.camera_height_m", "nadir.margin_deg")),
    Gesture("horizon", ("level.tilt_deg", "level.toward_yaw_deg")),
)
"""A test holds each name to the stages' declarations."""


def controls(settings: FrameSettings) -> list[dict[str, Any]]:
    """Stages in their order, each with its settings as a control wants them."""
    return [_stage(name) for name in settings.values if name != PIPELINE]


def values(key: FrameKey, settings: FrameSettings) -> dict[str, dict[str, Any]]:
    """What is in force, by `stage.key`: the value, its origin, and how near to the frame that stands."""
    return {
        f"{stage}.{name}": {
            "value": list(held.value) if isinstance(held.value, tuple) else held.value,
            "origin": held.origin,
            "level": level_of(key, held),
        }
        for stage, by_key in settings.values.items()
        if stage != PIPELINE
        for name, held in by_key.items()
    }


def level_of(key: FrameKey, held: Value) -> str:
    """Whether a value is built in, or said for the job, the room or the frame."""
    file = held.origin.rpartition(":")[0] if held.origin[-1:].isdigit() else held.origin
    levels = {BUILT_IN_ORIGIN: "built-in", RECIPE_FILE: "job", frame_file(key): "frame"}
    return levels.get(file, "room")


def gestures(settings: FrameSettings) -> list[dict[str, Any]]:
    """What a hand can do in this frame's picture: its stage works, and has these settings."""
    return [
        {"name": gesture.name, "settings": list(gesture.settings)}
        for gesture in GESTURES
        if all(_works(settings, name) for name in gesture.settings)
    ]


def _works(settings: FrameSettings, name: str) -> bool:
    stage, _, key = name.partition(".")
    return stage in settings.stages and hasattr(settings.stages[stage], key)


def _stage(name: str) -> dict[str, Any]:
    stage = loaded_stage(name)
    own = [_control(key, rule) for key, rule in setting_rules(stage).items()]
    if not isinstance(stage, SourceStage | SinkStage):
        own.insert(0, {"key": USE, "kind": "switch", "help": "whether the stage works on this frame"})
    notes: Mapping[str, Any] = stage.notes
    return {
        "name": name,
        "summary": stage.summary,
        "settings": own,
        "notes": {key: {"meaning": note.meaning, "unit": note.unit} for key, note in notes.items()},
    }


def _control(key: str, rule: Rule) -> dict[str, Any]:
    control = {
        "key": key,
        "kind": rule.kind,
        "help": rule.help,
        "unit": rule.unit,
        "low": rule.low,
        "high": rule.high,
        "choices": list(rule.choices),
        "auto": rule.auto,
        "allowed": rule.allowed(),
    }
    if rule.kind == "number" and rule.low is not None and rule.high is not None:
        control["step"] = step_of(rule.high - rule.low)
    elif rule.kind == "whole":
        control["step"] = 1
    return control


def step_of(reach: float) -> float:
    """A round step, 1, 2 or 5 times a power of ten, of which about `_STEPS` fill a reach."""
    wanted = reach / _STEPS
    power = 10.0 ** math.floor(math.log10(wanted))
    step = min((1, 2, 5, 10), key=lambda factor: abs(math.log(factor * power / wanted)))
    return float(f"{step * power:.0e}")
