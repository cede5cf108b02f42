"""A full disk at every single write of a small job: a clean stop, and the next run completes."""

from __future__ import annotations

import errno
from collections import Counter
from pathlib import Path
from unittest import mock

from panopipe.files.below import write_below
from panopipe.job import open_job
from panopipe.pool.dispatch import Inline
from panopipe.recipe import load_recipe
from panopipe.run.job_run import Options, Summary, run_job
from panopipe.state.ledger import Ledger
from tests.stress.jobs import hashes, make_job, put_again


def fill_all(room: Path) -> list[str]:
    """Fill the disk at every write, of pictures and of the ledger; return the lines of the table."""
    calm = make_job(room / "calm", rooms=1, frames=3, width=128)
    counting = _Disk(10**9)
    with mock.patch("panopipe.run.frame_files.write_below", counting.write):
        undisturbed = _run(calm)
    if undisturbed.failed or undisturbed.stopped:
        raise RuntimeError(str(undisturbed))
    wanted, writes = hashes(calm / "finished"), 10**9 - counting.left
    tally: Counter[str] = Counter()
    for number in range(writes):
        disk = _Disk(number)
        with mock.patch("panopipe.run.frame_files.write_below", disk.write):
            _filled(room, calm, wanted, tally)
    for pages in range(8, 68, 4):
        with mock.patch.object(Ledger, "_connect", _small_ledger(pages)):
            _filled(room, calm, wanted, tally)
    return [f"{name:34} {number:6}" for name, number in tally.items()]


def _filled(room: Path, calm: Path, wanted: dict[str, str], tally: Counter[str]) -> None:
    """Run on a disk that fills up, then again on one that has room."""
    job = room / "job"
    put_again(calm, job)
    tally["runs on a disk that fills up"] += 1
    try:
        summary = _run(job)
        tally["stopped cleanly"] += "disk is full" in summary.stopped
        tally["came through"] += not summary.stopped
        tally["frames failed for it"] += len(summary.failed)
    except OSError as error:
        tally["refused with one line"] += "full" in str(error)
    there = hashes(job / "finished")
    tally["outputs half-written"] += sum(wanted.get(name) != value for name, value in there.items())
    mock.patch.stopall()
    with (
        mock.patch("panopipe.run.frame_files.write_below", write_below),
        mock.patch.object(Ledger, "_connect", _CONNECT),
    ):
        again = _run(job)
    tally["completed by the next run"] += not again.stopped and hashes(job / "finished") == wanted
    tally["temporary files left"] += len(list(job.rglob("*.part")))


def _run(job: Path) -> Summary:
    reader = open_job(job)
    return run_job(reader, load_recipe(reader), Options(executor=lambda *_: Inline()))


class _Disk:
    """Takes a number of files, then is full."""

    def __init__(self, left: int) -> None:
        self.left = left

    def write(self, root: Path, name: str, data: bytes | memoryview, *, lasting: bool = True) -> None:
        if self.left == 0:
            raise OSError(errno.ENOSPC, "No space left on device")
        self.left -= 1
        write_below(root, name, data, lasting=lasting)


_CONNECT = Ledger._connect


def _small_ledger(pages: int):  # type: ignore[no-untyped-def]
    def connect(self: Ledger, *, read_only: bool = False):  # type: ignore[no-untyped-def]
        base = _CONNECT(self, read_only=read_only)
        base.execute(f"pragma max_page_count = {pages}")
        return base

    return connect
