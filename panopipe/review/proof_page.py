"""The page of the proofs: by room, each frame's proof beside the one before it."""

from __future__ import annotations

import json
from importlib.resources import files
from typing import Any
from urllib.parse import quote

from panopipe.files.below import write_below
from panopipe.frame import FrameKey
from panopipe.job import PROOFS, Job

BEFORE = f"{PROOFS}/before"
"""Where proofs lie that newer ones took the place of."""
_SOURCES = ("proofs.css", "proofs.js")


def write_proof_page(job: Job, suffix: str = ".jpg") -> str:
    """Write the page of all proofs that there are, and return its name in the job folder.

    Parameters
    ----------
    job : Job
        The job.
    suffix : str
        Of the proofs' files.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    source = files("panopipe.review") / "page"
    for name in _SOURCES:
        write_below(job.folder, f"{PROOFS}/page/{name}", (source / name).read_bytes(), lasting=False)
    plain = json.dumps(_data(job, suffix), separators=(",", ":"))
    script = ("panopipe.proofs(" + plain.replace("<", "\\u003c") + ");\n").encode("ascii")
    write_below(job.folder, f"{PROOFS}/page/data.js", script, lasting=False)
    page = f"{PROOFS}/index.html"
    write_below(job.folder, page, (source / "proofs.html").read_bytes(), lasting=False)
    return page


def _data(job: Job, suffix: str) -> dict[str, Any]:
    rooms = [
        {"name": room, "frames": [shown for key in keys if (shown := _frame(job, key, suffix))]}
        for room, keys in job.rooms.items()
    ]
    return {"title": job.title, "rooms": [room for room in rooms if room["frames"]]}


def _frame(job: Job, key: FrameKey, suffix: str) -> dict[str, Any] | None:
    """A frame whose proof is there, and where it lies, seen from the page."""
    name, now, before = f"{key}{suffix}", f"{PROOFS}/{key}{suffix}", f"{BEFORE}/{key}{suffix}"
    if not (job.folder / now).is_file():
        return None
    there = (job.folder / before).is_file()
    return {
        "name": key.name,
        "now": _address(name, job, now),
        "before": _address(f"before/{name}", job, before) if there else "",
    }


def _address(name: str, job: Job, path: str) -> str:
    """Address with the time of the file: a browser that was left open shows the new one."""
    return f"{quote(name, errors='surrogateescape')}?{(job.folder / path).stat().st_mtime_ns}"
