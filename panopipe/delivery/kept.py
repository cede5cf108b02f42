"""What the job notes of its deliveries, so that only what changed is made again."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from panopipe.files.below import write_below
from panopipe.files.regular import open_regular
from panopipe.job import WORKING

KEPT = f"{WORKING}/deliveries.json"
_FORMAT = 1
_MOST_BYTES = 1 << 26
_MOST_DELIVERIES = 20
_HASH = re.compile("[0-9a-f]{64}")


@dataclass(frozen=True, slots=True)
class Content:
    """One file: its hash, a digest of what it was made of, and the quality of a second coding."""

    sha256: str
    made_of: str
    quality: int | None = None


@dataclass(frozen=True, slots=True)
class KeptDelivery:
    """A delivery as it was left.

    Attributes
    ----------
    fingerprint : str
        Of all that it was made of.
    contents : mapping of str to Content
        By name.
    on_disk : mapping of str to tuple of int
        Size and time of change in nanoseconds of each file of a folder by name; of a zip, under "".
    """

    fingerprint: str
    contents: Mapping[str, Content]
    on_disk: Mapping[str, tuple[int, int]]


def read_kept(folder: Path) -> dict[str, KeptDelivery]:
    """Deliveries of a job by the place they went to; none where it cannot be read: all is then made anew."""
    try:
        with open_regular(folder / KEPT) as file:
            plain = json.loads(file.read(_MOST_BYTES))
        if plain["format"] != _FORMAT:
            return {}
        return {str(place): _delivery(one) for place, one in plain["deliveries"].items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return {}


def write_kept(folder: Path, kept: Mapping[str, KeptDelivery]) -> None:
    """Note deliveries, the last of them if they are many.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    last = dict(list(kept.items())[-_MOST_DELIVERIES:])
    plain = {"format": _FORMAT, "deliveries": {place: asdict(one) for place, one in last.items()}}
    write_below(folder, KEPT, json.dumps(plain, indent=1).encode("utf-8", "surrogateescape"))


def _delivery(plain: Mapping[str, Any]) -> KeptDelivery:
    contents = {str(name): Content(**content) for name, content in plain["contents"].items()}
    if not all(_HASH.fullmatch(content.sha256) for content in contents.values()):
        raise ValueError("no hash")
    on_disk = {str(name): (int(size), int(mtime_ns)) for name, (size, mtime_ns) in plain["on_disk"].items()}
    return KeptDelivery(str(plain["fingerprint"]), contents, on_disk)
