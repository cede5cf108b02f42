"""Jobs whose frames are finished, made in a moment: small pictures, and the ledger that a run leaves."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from panopipe.frame import FrameKey
from panopipe.state.file_stamp import hashed
from panopipe.state.ledger import Entry, Ledger
from panopipe.state.record import Effective, FrameRecord
from tests.review.pictures import finished, room, save

PLACES = (("hall", "hall-01"), ("hall", "hall-02"), ("lounge", "IMG_7"))
WIDTHS = Effective([384, 192], "recipe.toml:2")


def finished_job(folder: Path, places: tuple[tuple[str, str], ...] = PLACES, **facts: object) -> Path:
    """A job of finished frames, each 384 and 192 wide, taken in the reverse order of their names."""
    for number, (place, name) in enumerate(places):
        put_frame(folder, place, name, number, taken=f"2026:11:24 10:{59 - number:02d}:00", **facts)
    return folder


def put_frame(folder: Path, place: str, name: str, seed: int = 1, **facts: object) -> FrameRecord:
    """Put a finished frame into a job, its original a file of no account."""
    original = folder / "originals" / place / f"{name}.dng"
    original.parent.mkdir(parents=True, exist_ok=True)
    original.write_bytes(b"no picture")
    record = finished(folder, place, name, room(384, seed=seed + 1), **facts)
    small = f"finished/{place}/{name}-192.jpg"
    save(folder / small, room(192, seed=seed + 1))
    settings = {**record.settings, "export": {"widths": WIDTHS}}
    record = replace(record, outputs=(*record.outputs, small), settings=settings)
    note(folder, {record.key: record})
    return record


def note(folder: Path, records: Mapping[FrameKey, FrameRecord], fingerprint: str = "made") -> None:
    """Write records into the ledger, as a run does."""
    (folder / ".panopipe").mkdir(exist_ok=True)
    with Ledger(folder) as ledger:
        ledger.put(
            {
                key: Entry(fingerprint, record, {path: hashed(folder / path) for path in record.outputs})
                for key, record in records.items()
            }
        )
