"""What a look keeps in the job folder for the finish: its name, its bytes, and whether they are still those.

It only saves work. Where it is missing or damaged, the frame is looked at again.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from panopipe.frame import Rows
from panopipe.pipeline.engine import BEFORE_WIDTH, REDUCED_WIDTH
from panopipe.run.tasks import FrameFiles
from panopipe.stage import SourceStage
from panopipe.state.checksum import CHECKSUM_BYTES, checksummed, verified
from panopipe.state.serialization import dumps, loads, packages_of

_MOST_FOUND = 1 << 22
"""Bytes up to which what was kept of a look is read."""


def cache_name(folder: str, fingerprint: str) -> str:
    """Where the light at a reduced size of a look is kept."""
    return f"{folder}/{fingerprint[:40]}.raw"


def probe_name(kept: str) -> str:
    """Where what a source found out at a look is kept, beside the light at a reduced size."""
    return f"{kept.removesuffix('.raw')}.found"


def reduced_bytes(rows: Rows) -> bytes:
    """Spell light at a reduced size for keeping."""
    return checksummed(np.ascontiguousarray(rows).data.cast("B"))


def probe_bytes(probed: object) -> bytes:
    """Spell what a source found out for keeping."""
    return checksummed(dumps(probed).encode())


def cached_reduced(path: Path, width: int) -> Rows | None:
    """Light kept from the look, or None if it is not what was kept: it lies in the job folder."""
    wide = min(width, REDUCED_WIDTH)
    size = 4 * (wide // 2 * wide * 3)
    try:
        if path.stat().st_size != size + CHECKSUM_BYTES:
            return None
        data = np.fromfile(path, np.uint8, size + CHECKSUM_BYTES)
    except OSError:
        return None
    if (body := verified(data)) is None:
        return None
    rows: Rows = body.view(np.float32).reshape(wide // 2, wide, 3)
    return rows if np.isfinite(rows).all() else None


def small_bytes(rows: Rows) -> bytes:
    """Spell light at `BEFORE_WIDTH` for keeping: half floats, 11 bits of precision, enough for a proof."""
    return checksummed(_halved(rows).tobytes())


def as_small(rows: Rows) -> Rows:
    """Light at `BEFORE_WIDTH` as it comes back from keeping."""
    return _halved(rows).astype(np.float32)


def _halved(rows: Rows) -> NDArray[np.float16]:
    return np.clip(rows, -65504, 65504).astype(np.float16)


def cached_small(path: Path, width: int) -> Rows | None:
    """Light for proofs of a frame `width` wide, or None if it is not what was kept."""
    wide = min(width, BEFORE_WIDTH)
    try:
        if path.stat().st_size != wide // 2 * wide * 3 * 2 + CHECKSUM_BYTES:
            return None
        body = verified(np.fromfile(path, np.uint8))
    except OSError:
        return None
    return None if body is None else body.view(np.float16).reshape(wide // 2, wide, 3).astype(np.float32)


def cached_probe(files: FrameFiles, stage: SourceStage[Any]) -> dict[str, Any]:
    """What the source found out at the look, to be handed to it; nothing if it was not kept or is damaged."""
    place = files.at(probe_name(files.reduced))
    try:
        if not files.reduced or place.stat().st_size > _MOST_FOUND:
            return {}
        if (body := verified(np.fromfile(place, np.uint8))) is None:
            return {}
        return {"probed": loads(body.tobytes().decode(), packages_of(stage))}
    except (OSError, ValueError):
        return {}
