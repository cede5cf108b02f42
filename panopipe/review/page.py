"""The page: `index.html`, its style and scripts, and the data they show.

Nothing of the job is written into markup: names, metadata and sentences travel as JSON in a script of
their own and reach the page as text nodes, so that a frame called `<script>` is just a name.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import quote

from panopipe.files.below import write_below
from panopipe.frame import FrameKey
from panopipe.job.places import job_word
from panopipe.registry import loaded_stage
from panopipe.review import assets
from panopipe.review.accepted import NEVER
from panopipe.review.case import accept_command, number, run_command, set_command, tune_command
from panopipe.review.finding import Finding, FrameReview, JobReview
from panopipe.review.neutrals import neutrals
from panopipe.review.references import LEVELLED, TURNED
from panopipe.review.results import fields_of
from panopipe.setting import AUTO, Rule, rules
from panopipe.stage import Stand
from panopipe.state.record import FrameRecord

T = TypeVar("T")
Takes = Sequence[Mapping[str, Any]]

SOURCES = ("page.css", "sphere.js", "neutrals.js", "frame.js", "pair.js", "map.js", "page.js")
"""Files of the page besides `page.html`, as they lie in `panopipe/review/page/`."""


@dataclass(frozen=True, slots=True)
class OfFrames:
    """What the page shows of frames besides their reviews.

    Attributes
    ----------
    takes : mapping of FrameKey to sequence of mapping
        The takes of frames that are one of several.
    stands : mapping of FrameKey to Stand
        Where frames stood.
    """

    takes: Mapping[FrameKey, Takes] = field(default_factory=dict)
    stands: Mapping[FrameKey, Stand] = field(default_factory=dict)


def write_page(folder: Path, review: JobReview, *, job: str, of_frames: OfFrames | None = None) -> None:
    """Write the page and its data into the review folder."""
    source = files("panopipe.review") / "page"
    for name in SOURCES:
        write_below(folder.parent, f"{folder.name}/page/{name}", (source / name).read_bytes())
    write_below(
        folder.parent,
        f"{folder.name}/page/data.js",
        data_script(review, folder, job=job, of_frames=of_frames),
    )
    write_below(folder.parent, f"{folder.name}/index.html", (source / "page.html").read_bytes())


def data_script(review: JobReview, folder: Path, *, job: str, of_frames: OfFrames | None = None) -> bytes:
    """The page's data as a script; plain ASCII without `<`, so that nothing in it can end the script."""
    plain = json.dumps(page_data(review, folder, job=job, of_frames=of_frames), separators=(",", ":"))
    return ("panopipe.data(" + plain.replace("<", "\\u003c") + ");\n").encode("ascii")


def page_data(
    review: JobReview, folder: Path, *, job: str, of_frames: OfFrames | None = None
) -> dict[str, Any]:
    """Everything the page shows, as plain values."""
    whole = job_word(frame.key for frame in review.frames)
    return {
        "title": review.title,
        "job": job,
        "findings": [_finding(finding, whole) for finding in review.findings],
        "whole": whole,
        "frames": [_frame(frame, folder, of_frames or OfFrames()) for frame in review.frames],
        "neutrals": neutrals([frame.record for frame in review.frames]),
    }


def _frame(frame: FrameReview, folder: Path, of_frames: OfFrames) -> dict[str, Any]:
    stand = of_frames.stands.get(frame.key)
    record, names = frame.record, assets.names(folder, frame.key)
    seen = bool(record.outputs) and frame.state in ("fine", "look") and names.thumbnail.exists()
    return {
        "id": assets.identity(frame.key),
        "room": record.key.room,
        "name": record.key.name,
        "state": frame.state,
        "doubt": round(frame.doubt, 3),
        "error": frame.fault if frame.state == "failed" else "",
        "taken": record.taken,
        "width": record.width,
        "height": record.height,
        "thumbnail": seen,
        "levelled_deg": number(record, LEVELLED) or 0,
        "turned_deg": number(record, TURNED) or 0,
        "stand": _stand(stand) if stand else None,
        "takes": list(of_frames.takes.get(frame.key, ())),
        "before": seen and names.before.exists(),
        "finished": "../" + quote(record.outputs[0], errors="surrogateescape") if seen else "",
        "findings": [_finding(item, frame.key.exact) for item in frame.findings],
        "settings": [_setting(record, stage, key) for stage, keys in _in_order(record, record.settings)
                     for key in _as_declared(stage, keys)],
        "again": run_command(record.key),
        "tune": tune_command(record.key),
        "notes": [{"stage": stage, "name": name, "value": _note(value), "meaning": _meaning(stage, name)}
                  for stage, notes in _in_order(record, record.notes) for name, value in notes.items()],
        "seconds": [{"stage": stage, "seconds": round(seconds, 3)}
                    for stage, seconds in _in_order(record, record.stage_seconds)],
        "peak_bytes": record.peak_bytes,
    }  # fmt: skip


def _stand(stand: Stand) -> dict[str, Any]:
    """Where a frame stood, and what it sees; frames by their short names."""
    return asdict(stand) | {
        "sights": [asdict(sight) | {"to": assets.identity(sight.to)} for sight in stand.sights],
    }


def _finding(finding: Finding, where: str) -> dict[str, Any]:
    can_be_accepted = finding.crossed and finding.check not in NEVER
    return fields_of(finding) | {
        "title": finding.title,
        "accept": list(accept_command(where, finding.check)) if can_be_accepted else [],
        "command": list(finding.command),
        "look": list(finding.look) if finding.look else None,
    }


def _in_order(record: FrameRecord, by_stage: Mapping[str, T]) -> list[tuple[str, T]]:
    """What belongs to stages, in the order in which the frame went through them."""
    place = {stage: n for n, stage in enumerate(record.order)}
    return sorted(by_stage.items(), key=lambda item: place.get(item[0], len(place)))


def _as_declared(stage: str, keys: Iterable[str]) -> list[str]:
    """Keys in the order in which the stage declares them, `use` first; what it no longer has, last."""
    place = {key: n for n, key in enumerate(("use", *_rules(stage)))}
    return sorted(keys, key=lambda key: place.get(key, len(place)))


def _setting(record: FrameRecord, stage: str, key: str) -> dict[str, Any]:
    """One setting: value, origin, what it does, what may stand there, and the command that changes it."""
    effective, rule = record.settings[stage][key], _rules(stage).get(key)
    chosen = record.notes.get(stage, {}).get(key)
    value = _toml(effective.value)
    return {
        "stage": stage,
        "key": key,
        "value": f"{value}, chose {_note(chosen)}"
        if effective.value == AUTO and chosen is not None
        else value,
        "origin": effective.origin,
        "help": rule.help if rule else "whether the stage works on this frame" if key == "use" else "",
        "allowed": rule.allowed() if rule else "",
        "command": set_command(record.key, f"{stage}.{key}", _plain(effective.value)),
    }


@cache
def _rules(name: str) -> dict[str, Rule]:
    """Rules of a stage's settings; none when the stage is no longer installed."""
    try:
        return rules(loaded_stage(name).Settings)
    except (KeyError, ImportError):
        return {}


def _meaning(name: str, note: str) -> str:
    """What a note of a stage tells, with its unit; empty when the stage is no longer installed."""
    try:
        declared = loaded_stage(name).notes.get(note)
    except (KeyError, ImportError):
        return ""
    if declared is None:
        return "what was chosen for this setting"
    return f"{declared.meaning}, {declared.unit}" if declared.unit else declared.meaning


def _toml(value: object) -> str:
    """A setting's value as a recipe spells it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _plain(value: object) -> str:
    """The same as the command line takes it: words without quotes."""
    return value if isinstance(value, str) else _toml(value)


def _note(value: float | str) -> str:
    return value if isinstance(value, str) else f"{value:.4g}"
