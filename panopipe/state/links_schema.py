"""JSON Schema of `links.json`: what `panopipe.state.stands.links_document` makes, for whoever reads it."""

from __future__ import annotations

from typing import Any

_LINK: dict[str, Any] = {
    "type": "object",
    "description": "Another frame that is seen from this one, along a free line.",
    "required": ["to", "yaw_deg", "pitch_deg", "distance_m", "certainty", "by_hand"],
    "additionalProperties": False,
    "properties": {
        "to": {"type": "string", "description": "id of the frame that is seen"},
        "yaw_deg": {
            "type": "number",
            "minimum": -180,
            "maximum": 180,
            "description": "where it is in this picture: 0 in the middle, growing to the right",
        },
        "pitch_deg": {
            "type": "number",
            "minimum": -90,
            "maximum": 90,
            "description": "how high: 0 at the horizon, where the other camera stands",
        },
        "distance_m": {"type": "number", "minimum": 0, "description": "metres between both; 0 where unknown"},
        "certainty": {"type": "number", "minimum": 0, "maximum": 1, "description": "1 is certain"},
        "by_hand": {"type": "boolean", "description": "whether the photographer gave it"},
    },
}

_FRAME: dict[str, Any] = {
    "type": "object",
    "required": [
        "id",
        "room",
        "name",
        "file",
        "width",
        "height",
        "part",
        "position_m",
        "heading_deg",
        "true_north",
        "links",
    ],
    "additionalProperties": False,
    "properties": {
        "id": {"type": "string", "description": "short name that links use"},
        "room": {"type": "string"},
        "name": {"type": "string"},
        "file": {
            "type": "string",
            "description": "the picture, relative to this document, with / between parts",
        },
        "width": {"type": "integer", "minimum": 0},
        "height": {"type": "integer", "minimum": 0},
        "part": {
            "type": ["integer", "null"],
            "description": "frames of one part share a plan; null for a frame that could not be placed",
        },
        "position_m": {
            "type": ["array", "null"],
            "items": {"type": "number"},
            "minItems": 2,
            "maxItems": 2,
            "description": "right and up in the plan of the part, in metres; east and north where true_north",
        },
        "heading_deg": {
            "type": ["number", "null"],
            "minimum": 0,
            "maximum": 360,
            "description": "where the middle of the picture looks, from up in the plan, growing to the right",
        },
        "true_north": {"type": "boolean", "description": "whether up in the plan is true north"},
        "links": {"type": "array", "items": _LINK},
    },
}

LINKS_SCHEMA: dict[str, Any] = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "title": "panopipe links",
    "description": "Where the frames of a shoot stood, and which of them see each other.",
    "type": "object",
    "required": ["format", "version", "title", "frames"],
    "additionalProperties": False,
    "properties": {
        "format": {"const": "panopipe links"},
        "version": {"const": 1},
        "title": {"type": "string"},
        "frames": {"type": "array", "items": _FRAME},
    },
}
