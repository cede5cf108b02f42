"""What was measured of each finished picture, kept so that the page is made again in a moment."""

from __future__ import annotations

import base64
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from panopipe.review.measure import VERSION, Measures
from panopipe.review.series import SKETCH


@dataclass(frozen=True, slots=True)
class Seen:
    """What is kept of one finished picture: its numbers and its sketch."""

    measures: Measures
    sketch: NDArray[np.float32]


def fingerprint(path: Path) -> str:
    """Tell one version of a file from another without reading it: its size and time of writing."""
    facts = path.stat()
    return f"{VERSION}-{facts.st_size}-{facts.st_mtime_ns}"


def load(path: Path) -> dict[str, tuple[str, Seen]]:
    """What was kept, by output; empty when nothing was or it cannot be read: it is then measured anew."""
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
        return {output: (row["fingerprint"], _seen(row)) for output, row in kept.items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def dump(kept: dict[str, tuple[str, Seen]]) -> bytes:
    """What to keep, as JSON."""
    plain = {
        output: {
            "fingerprint": mark,
            "measures": seen.measures.plain(),
            "sketch": base64.b64encode(np.rint(seen.sketch).astype(np.uint8).tobytes()).decode("ascii"),
        }
        for output, (mark, seen) in sorted(kept.items())
    }
    return json.dumps(plain, indent=1).encode("utf-8")


def _seen(plain: dict[str, Any]) -> Seen:
    grey = np.frombuffer(base64.b64decode(plain["sketch"]), np.uint8).reshape(SKETCH)
    return Seen(Measures(**plain["measures"]), grey.astype(np.float32))
