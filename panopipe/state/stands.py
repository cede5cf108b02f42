"""Where the frames of a job stood, as its last look found out: kept for the map, the links and a delivery.

`links_document` puts it into a small open form of our own for whoever writes an importer. Its JSON Schema is
`LINKS_SCHEMA`, which `panopipe schema --links` prints.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from panopipe.files.below import write_below
from panopipe.files.regular import open_regular
from panopipe.frame import FrameKey
from panopipe.job import WORKING
from panopipe.stage import Stand
from panopipe.state.serialization import dumps, loads

KEPT = f"{WORKING}/stands.json"
FORMAT = 1
_MOST_BYTES = 1 << 26


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture that links lead to: its file, as the document shall name it, and its size in pixels."""

    file: str
    width: int
    height: int


def keep_stands(folder: Path, stands: Mapping[FrameKey, Stand]) -> None:
    """Keep where frames stood.

    Raises
    ------
    OSError
        If it cannot be written.
    ValueError
        If a link leads out of the job folder there.
    """
    write_below(
        folder, KEPT, dumps({tuple(key): stand for key, stand in stands.items()}).encode(), lasting=False
    )


def read_stands(folder: Path) -> dict[FrameKey, Stand]:
    """Where frames stood; nothing where nobody looked, or where it cannot be read."""
    try:
        with open_regular(folder / KEPT) as file:
            held = loads(file.read(_MOST_BYTES).decode())
        return {FrameKey(*key): stand for key, stand in held.items() if isinstance(stand, Stand)}
    except (OSError, ValueError, TypeError, AttributeError, RecursionError):
        return {}


def links_document(
    title: str, stands: Mapping[FrameKey, Stand], pictures: Mapping[FrameKey, Picture]
) -> dict[str, Any]:
    """Frames and the links between them, as plain values that `LINKS_SCHEMA` describes.

    Parameters
    ----------
    title : str
        Of the job.
    stands : mapping of FrameKey to Stand
        Where frames stood.
    pictures : mapping of FrameKey to Picture
        The pictures to be named, in walking order; links to other frames are left out.
    """
    ids = {key: f"frame-{number:03d}" for number, key in enumerate(pictures, 1)}
    return {
        "format": "panopipe links",
        "version": FORMAT,
        "title": title,
        "frames": [_frame(key, ids, stands.get(key, Stand()), picture) for key, picture in pictures.items()],
    }


def links_json(document: Mapping[str, Any]) -> bytes:
    """The document as UTF-8 JSON; the same links give the same bytes."""
    return (json.dumps(document, ensure_ascii=False, indent=2) + "\n").encode("utf-8", "surrogateescape")


def _frame(key: FrameKey, ids: Mapping[FrameKey, str], stand: Stand, picture: Picture) -> dict[str, Any]:
    placed = stand.part >= 0
    return {
        "id": ids[key],
        "room": key.room,
        "name": key.name,
        "file": picture.file,
        "width": picture.width,
        "height": picture.height,
        "part": stand.part if placed else None,
        "position_m": [_number(stand.x_m), _number(stand.y_m)] if placed else None,
        "heading_deg": _number(stand.heading_deg) if placed else None,
        "true_north": stand.true_north,
        "links": [
            {
                "to": ids[sight.to],
                "yaw_deg": _number(sight.yaw_deg),
                "pitch_deg": 0.0,
                "distance_m": _number(sight.distance_m),
                "certainty": _number(sight.certainty),
                "by_hand": sight.by_hand,
            }
            for sight in stand.sights
            if sight.to in ids
        ],
    }


def _number(value: float) -> float:
    return round(value, 3) if math.isfinite(value) else 0.0
