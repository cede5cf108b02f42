"""What a look keeps in the job folder for the finish: its name, its bytes, and whether they are still those.

It only saves work. Where it is missing or damaged, the frame is looked at again.
"""

from __future__ import annotations

import zlib
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from panopipe.frame import Rows
from panopipe.pipeline.engine import REDUCED_WIDTH
from panopipe.run.tasks import FrameFiles
from panopipe.stage import SourceStage
from panopipe.state.serialization import dumps, loads, packages_of

_MOST_FOUND = 1 << 22
"""Bytes up to which what was kept of a look is read."""
_SEAL = 4
"""Bytes of the checksum behind all others: a disk that lost some of them must not change a picture."""


def cache_name(folder: str, fingerprint: str) -> str:
    """Where the light at a reduced size of a look is kept."""
    return f"{folder}/{fingerprint[:40]}.raw"


def probe_name(kept: str) -> str:
    """Where what a source found out at a look is kept, beside the light at a reduced size."""
    return f"{kept.removesuffix('.raw')}.found"


def reduced_bytes(rows: Rows) -> bytes:
    """Spell light at a reduced size for keeping."""
    return _checksummed(np.ascontiguousarray(rows).data.cast("B"))


def probe_bytes(found: object) -> bytes:
    """Spell what a source found out for keeping."""
    return _checksummed(dumps(found).encode())


def cached_reduced(path: Path, width: int) -> Rows | None:
    """Light kept from the look, or None if it is not what was kept: it lies in the job folder."""
    wide = min(width, REDUCED_WIDTH)
    size = 4 * (wide // 2 * wide * 3)
    try:
        if path.stat().st_size != size + _SEAL:
            return None
        data = np.fromfile(path, np.uint8, size + _SEAL)
    except OSError:
        return None
    if not _is_whole(data):
        return None
    rows: Rows = data[:size].view(np.float32).reshape(wide // 2, wide, 3)
    return rows if np.isfinite(rows).all() else None


def cached_probe(files: FrameFiles, stage: SourceStage[Any]) -> dict[str, Any]:
    """What the source found out at the look, to be handed to it; nothing if it was not kept or is damaged."""
    place = files.at(probe_name(files.reduced))
    try:
        if not files.reduced or place.stat().st_size > _MOST_FOUND:
            return {}
        data = np.fromfile(place, np.uint8)
        if not _is_whole(data):
            return {}
        return {"probed": loads(data[:-_SEAL].tobytes().decode(), packages_of(stage))}
    except (OSError, ValueError):
        return {}


def _checksummed(data: bytes | memoryview) -> bytes:
    return b"".join((data, zlib.crc32(data).to_bytes(_SEAL, "little")))


def _is_whole(data: NDArray[np.uint8]) -> bool:
    """Whether the checksum at the end is that of the rest."""
    seal = int.from_bytes(data[-_SEAL:].tobytes(), "little")
    return len(data) > _SEAL and zlib.crc32(data[:-_SEAL].data) == seal
