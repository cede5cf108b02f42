"""The recipe as JSON Schema, for editors that complete and check while one types."""

from __future__ import annotations

from typing import Any

from panopipe.recipe.layers import ORDER, PIPELINE, USE, setting_rules
from panopipe.registry import known_stages, loaded_stage
from panopipe.setting import AUTO, Kind, Rule

_TYPES: dict[Kind, dict[str, Any]] = {
    "number": {"type": "number"},
    "whole": {"type": "integer"},
    "switch": {"type": "boolean"},
    "choice": {"type": "string"},
    "text": {"type": "string"},
    "wholes": {"type": "array"},
    "picture": {"type": "string"},
}


def recipe_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of a recipe file, with the stages that are installed and load.

    References
    ----------
    .. [1] JSON Schema: A Media Type for Describing JSON Documents, draft 2020-12.
    """
    tables: dict[str, Any] = {PIPELINE: _pipeline()}
    for name in known_stages():
        try:
            tables[name] = _table(name)
        except ImportError:  # a stage that does not load cannot be called for either
            continue
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "panopipe recipe",
        "type": "object",
        "additionalProperties": False,
        "properties": tables,
    }


def _pipeline() -> dict[str, Any]:
    order = {
        "type": "array",
        "description": "Stages a frame goes through, from the one that reads to the one that writes.",
        "items": {"enum": list(known_stages())},
        "uniqueItems": True,
        "minItems": 2,
    }
    return {"type": "object", "additionalProperties": False, "properties": {ORDER: order}}


def _table(name: str) -> dict[str, Any]:
    stage = loaded_stage(name)
    defaults = stage.Settings()
    properties: dict[str, Any] = {
        USE: {"type": "boolean", "default": True, "description": "Whether the frame goes through this stage."}
    }
    for key, rule in setting_rules(stage).items():
        properties[key] = _property(rule, getattr(defaults, key))
    return {
        "type": "object",
        "description": stage.summary,
        "additionalProperties": False,
        "properties": properties,
    }


def _property(rule: Rule, default: object) -> dict[str, Any]:
    plain: dict[str, Any] = dict(_TYPES[rule.kind])
    bounds = {"minimum": rule.low, "maximum": rule.high}
    bounds = {name: bound for name, bound in bounds.items() if bound is not None}
    if rule.kind == "wholes":
        plain["items"] = {"type": "integer", **bounds}
    else:
        plain |= bounds
    if rule.kind == "choice":
        plain["enum"] = list(rule.choices)
    if rule.auto:
        plain = {"anyOf": [plain, {"const": AUTO}]}
    unit = f" [{rule.unit}]" if rule.unit else ""
    plain["description"] = rule.help + unit
    plain["default"] = list(default) if isinstance(default, tuple) else default
    return plain
