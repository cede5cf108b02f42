"""The manifest of a job's originals, and the proof that nothing changed them.

`JOB/manifest.json` lists each original with SHA-256, size, capture time and where it came from.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from panopipe.files.below import write_below
from panopipe.job import KINDS, ORIGINALS, SYSTEM_FOLDERS, inside, natural
from panopipe.job.names import escaped
from panopipe.state.file_stamp import hashed
from panopipe.state.run_log import ProgressReporter

MANIFEST = "manifest.json"
_FORMAT = "panopipe originals 1"
_MOST_BYTES = 1 << 26


@dataclass(slots=True)
class Verified:
    """What a check of the originals found.

    Attributes
    ----------
    good : int
        Originals that are what they were.
    wrong : dict of str to str
        Originals that are not, and how.
    unknown : list of str
        Originals that the manifest does not know.
    """

    good: int = 0
    wrong: dict[str, str] = field(default_factory=dict)
    unknown: list[str] = field(default_factory=list)


def verify_originals(folder: Path, reporter: ProgressReporter) -> Verified:
    """Compare every original with the manifest.

    Raises
    ------
    ValueError
        If there is no such folder, or no manifest in it that can be read.
    """
    root = folder.resolve()
    if not root.is_dir():
        raise ValueError(f"{folder}: no such folder")
    manifest = read_manifest(root)
    if not manifest:
        raise ValueError(
            f"{folder}: no manifest to compare with; panopipe intake writes one when it copies the originals"
        )
    verified = Verified()
    for path, facts in manifest.items():
        reporter.progress(path)
        why = _difference(root, path, facts)
        if why:
            verified.wrong[path] = why
        else:
            verified.good += 1
    present = {path.relative_to(root).as_posix() for path in pictures(root / ORIGINALS)}
    verified.unknown = sorted((escaped(name) for name in present - set(manifest)), key=natural)
    return verified


def read_manifest(folder: Path) -> dict[str, dict[str, Any]]:
    """Originals of a job as they were taken in, by path; empty if there is no manifest.

    Raises
    ------
    ValueError
        If the manifest is damaged.
    """
    path = folder / MANIFEST
    if not path.is_file():
        return {}
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise ValueError("too large")
        held = json.loads(path.read_bytes())
        if held["format"] != _FORMAT:
            raise ValueError("of another kind")
        files: dict[str, dict[str, Any]] = held["originals"]
        for name, facts in files.items():
            if not isinstance(name, str) or not re.fullmatch("[0-9a-f]{64}", facts["sha256"]):
                raise ValueError(f"{name} has no hash")
            int(facts["size"])
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError, OverflowError) as error:
        why = f"{MANIFEST} is damaged ({error})"
        raise ValueError(f"{why}; put back a copy of it, or move it away and take in again") from error
    return files


def write_manifest(root: Path, manifest: Mapping[str, Any]) -> None:
    """Write the manifest of a job, its originals in walking order.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    ordered = {path: manifest[path] for path in sorted(manifest, key=natural)}
    text = json.dumps({"format": _FORMAT, "originals": ordered}, ensure_ascii=False, indent=1)
    write_below(root, MANIFEST, text.encode(errors="surrogateescape"))


def pictures(folder: Path, unread: Callable[[OSError], None] | None = None) -> Iterator[Path]:
    """Files below a folder that can be frames, those in hidden folders left out.

    `unread` is told of each folder that cannot be read, by the error, which names it.
    """
    for here, folders, files in os.walk(folder, onerror=unread):
        folders[:] = sorted(
            name for name in folders if not name.startswith(".") and name.casefold() not in SYSTEM_FOLDERS
        )
        for name in files:
            path = Path(here) / name
            if not name.startswith(".") and path.suffix.lower() in KINDS and path.is_file():
                yield path


def _difference(root: Path, path: str, facts: Mapping[str, Any]) -> str:
    place = root / path
    if not inside(root, place):
        return "leads out of the job folder"
    try:
        size = place.stat().st_size
        if size != int(facts["size"]):
            return f"has {size} bytes, had {facts['size']}"
        return (
            "" if hashed(place).sha256 == facts["sha256"] else "has other contents than when it was taken in"
        )
    except FileNotFoundError:
        return "is missing"
    except OSError as error:
        return f"cannot be read ({error.strerror})"
