"""What a delivery costs: bound by the disk the first time, a glance the second.

    python -m tests.benchmarks.delivery [--frames 80] [--width 6144] [--folder PLACE]

A made-up job of finished frames (four pictures, repeated) is delivered as a user does, by the command, so
that the start of the interpreter counts. Beside it stands what copying the same files takes with every byte
on the disk at the end: read, SHA-256, write, fsync. The review of the frames is made before, as a run does.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

from panopipe.review.make import make_review
from panopipe.state.file_stamp import hashed
from panopipe.state.ledger import Entry, Ledger
from panopipe.state.record import FrameRecord
from tests.benchmarks.review import made_up


def finished(folder: Path, frames: int, width: int) -> list[FrameRecord]:
    """A job whose ledger says that all is finished, every file with bytes of its own on the disk."""
    records = made_up(folder, frames, width)
    (folder / ".panopipe").mkdir(exist_ok=True)
    entries = {}
    for record in records:
        original, output = folder / f"originals/{record.key}.dng", folder / record.outputs[0]
        original.parent.mkdir(parents=True, exist_ok=True)
        original.write_bytes(b"x")
        data = output.read_bytes()
        output.unlink()
        output.write_bytes(data)
        entries[record.key] = Entry("made", record, {record.outputs[0]: hashed(output)})
    with Ledger(folder) as ledger:
        ledger.put(entries)
    make_review(folder)
    return records


def copied(folder: Path, records: Sequence[FrameRecord], goal: Path) -> None:
    """Copy the same files and no more: what any program would have to do."""
    goal.mkdir()
    for number, record in enumerate(records):
        data = (folder / record.outputs[0]).read_bytes()
        hashlib.sha256(data)
        with (goal / f"{number}.jpg").open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """Seconds on the clock, and of processor time with that of child processes."""
    clock, before = time.perf_counter(), os.times()
    work()
    after = os.times()
    return time.perf_counter() - clock, sum(after[:4]) - sum(before[:4])


def delivered(job: Path, goal: Path) -> None:
    """The command, as it is given."""
    words = [sys.executable, "-m", "panopipe", "deliver", str(job), "--to", str(goal), "--anyway"]
    kept = {**os.environ, "PYTHONDONTWRITEBYTECODE": "", "PYTHONPYCACHEPREFIX": str(goal.parent / "bytecode")}
    subprocess.run(words, check=True, stdout=subprocess.DEVNULL, env=kept)  # as an installed program has it


def main() -> None:
    """Make the job, deliver it, print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--frames", type=int, default=80)
    parser.add_argument("--width", type=int, default=6144)
    parser.add_argument("--folder", type=Path, help="where to work; a temporary folder by default")
    asked = parser.parse_args()
    with TemporaryDirectory(dir=asked.folder) as place:
        root, job = Path(place), Path(place) / "job"
        records = finished(job, asked.frames, asked.width)
        size = sum((job / record.outputs[0]).stat().st_size for record in records)
        print(f"{asked.frames} frames of {asked.width}x{asked.width // 2}, {size / 1e6:.0f} MB")
        print(f"{'':34}{'clock s':>9}{'CPU s':>8}")
        rows: dict[str, Callable[[], object]] = {
            "copy, hash and fsync alone": lambda: copied(job, records, root / "copy"),
            "one delivered, to load all": lambda: delivered(job, root / "first"),
            "delivered into a folder": lambda: delivered(job, root / "out"),
            "the same again": lambda: delivered(job, root / "out"),
            "delivered into a zip": lambda: delivered(job, root / "out.zip"),
            "the same again, zip": lambda: delivered(job, root / "out.zip"),
            "once more, one frame changed": lambda: (
                (job / records[0].outputs[0]).touch(), delivered(job, root / "out")
            ),
        }  # fmt: skip
        for what, work in rows.items():
            clock, cpu = timed(work)
            print(f"{what:34}{clock:9.2f}{cpu:8.2f}", flush=True)
            shutil.rmtree(root / "copy", ignore_errors=True)


if __name__ == "__main__":
    main()
