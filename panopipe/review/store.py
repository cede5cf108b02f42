"""What was measured of each finished picture, kept so that the page is made again in a moment."""

from __future__ import annotations

import base64
import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from panopipe.files.regular import open_regular
from panopipe.review.measure import VERSION, Measures
from panopipe.review.series import SKETCH

_SHORT_NAME = re.compile("[0-9a-f]{12}")
_MOST_BYTES = 1 << 28


@dataclass(frozen=True, slots=True)
class Seen:
    """What is kept of one finished picture: its numbers and its sketch."""

    measures: Measures
    sketch: NDArray[np.float32]


def fingerprint(path: Path) -> str:
    """Tell one version of a file from another without reading it: its size and time of writing."""
    facts = path.stat()
    return f"{VERSION}-{facts.st_size}-{facts.st_mtime_ns}"


def load(path: Path) -> tuple[dict[str, tuple[str, Seen]], set[str]]:
    """What was kept, by output, and the short names of frames whose pictures were written.

    Empty when nothing was or it cannot be read: all is then measured anew.
    """
    try:
        with open_regular(path) as file:
            kept = json.loads(file.read(_MOST_BYTES).decode("utf-8"))
        seen = {output: (row["fingerprint"], _seen(row)) for output, row in kept.items()}
        written = {row["written"] for row in kept.values()}
        return seen, {name for name in written if _SHORT_NAME.fullmatch(name)}
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError, MemoryError):
        return {}, set()


def dump(kept: dict[str, tuple[str, Seen]], written: dict[str, str]) -> bytes:
    """What to keep, as JSON: what was seen and the short name of the frame, by output."""
    plain = {
        output: {
            "fingerprint": mark,
            "written": written[output],
            "measures": seen.measures.plain(),
            "sketch": base64.b64encode(np.rint(seen.sketch).astype(np.uint8).tobytes()).decode("ascii"),
        }
        for output, (mark, seen) in sorted(kept.items())
    }
    return json.dumps(plain, indent=1).encode("utf-8")


def _seen(plain: dict[str, Any]) -> Seen:
    grey = np.frombuffer(base64.b64decode(plain["sketch"]), np.uint8).reshape(SKETCH)
    return Seen(Measures(**plain["measures"]), grey.astype(np.float32))
