"""The page: `index.html`, its style and scripts, and the data they show.

Nothing of the job is written into markup: names, metadata and sentences travel as JSON in a script of
their own and reach the page as text nodes, so that a frame called `<script>` is just a name.
"""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path
from typing import Any
from urllib.parse import quote

from panopipe.files.atomic import write_whole
from panopipe.review import assets
from panopipe.review.checks import run_command, set_command
from panopipe.review.finding import Finding, FrameReview, JobReview
from panopipe.review.neutrals import neutrals
from panopipe.review.results import rounded

SOURCES = ("page.css", "sphere.js", "neutrals.js", "frame.js", "page.js")
"""Files of the page besides `page.html`, as they lie in `panopipe/review/page/`."""


def write_page(folder: Path, review: JobReview, *, job: str) -> None:
    """Write the page and its data into the review folder."""
    source = files("panopipe.review") / "page"
    (folder / "page").mkdir(exist_ok=True)
    for name in SOURCES:
        write_whole(folder / "page" / name, (source / name).read_bytes())
    write_whole(folder / "page" / "data.js", data_script(review, folder, job=job))
    write_whole(folder / "index.html", (source / "page.html").read_bytes())


def data_script(review: JobReview, folder: Path, *, job: str) -> bytes:
    """The page's data as a script; plain ASCII without `<`, so that nothing in it can end the script."""
    plain = json.dumps(page_data(review, folder, job=job), separators=(",", ":"))
    return ("panopipe.data(" + plain.replace("<", "\\u003c") + ");\n").encode("ascii")


def page_data(review: JobReview, folder: Path, *, job: str) -> dict[str, Any]:
    """Everything the page shows, as plain values."""
    return {
        "title": review.title,
        "job": job,
        "findings": [_finding(one) for one in review.findings],
        "frames": [_frame(one, folder) for one in review.frames],
        "neutrals": neutrals([one.record for one in review.frames]),
    }


def _frame(one: FrameReview, folder: Path) -> dict[str, Any]:
    record, names = one.record, assets.names(folder, one.key)
    seen = bool(record.outputs) and one.state in ("fine", "look") and names.thumbnail.exists()
    return {
        "id": assets.identity(one.key),
        "room": record.key.room,
        "name": record.key.name,
        "state": one.state,
        "doubt": round(one.doubt, 3),
        "error": one.fault if one.state == "failed" else "",
        "taken": record.taken,
        "width": record.width,
        "height": record.height,
        "thumbnail": seen,
        "before": seen and names.before.exists(),
        "finished": "../" + quote(record.outputs[0], errors="surrogateescape") if seen else "",
        "findings": [_finding(item) for item in one.findings],
        "settings": [
            {"stage": stage, "key": key, "value": _toml(value.value), "origin": value.origin,
             "command": set_command(record.key, f"{stage}.{key}", _plain(value.value))}
            for stage, keys in record.settings.items() for key, value in keys.items()
        ],
        "again": run_command(record.key),
        "notes": [
            {"stage": stage, "name": name, "value": _note(value)}
            for stage, notes in record.notes.items() for name, value in notes.items()
        ],
        "seconds": [{"stage": stage, "seconds": round(s, 3)} for stage, s in record.stage_seconds.items()],
        "peak_bytes": record.peak_bytes,
    }  # fmt: skip


def _finding(one: Finding) -> dict[str, Any]:
    return {
        "check": one.check,
        "title": one.title,
        "value": rounded(one.value),
        "bar": rounded(one.bar),
        "unit": one.unit,
        "crossed": one.crossed,
        "sentence": one.sentence,
        "remedy": one.remedy,
        "command": list(one.command),
    }


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
