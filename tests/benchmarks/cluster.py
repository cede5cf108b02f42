"""What a cluster adds to a frame, and how far it carries: `python -m tests.benchmarks.cluster`.

The first table sends frames without work through worker processes of this machine and through a cluster of as
many one-thread workers on it, and counts wall time and the CPU of all processes; then it runs a small job
both ways and compares files. The second is on paper: from the seconds and megabytes of a frame that options
name, what more and more workers would take for many frames, and what holds them up.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import psutil

from panopipe.cluster.cluster import Cluster
from panopipe.pool.dispatch import dispatch
from panopipe.pool.worker_pool import WorkerPool
from panopipe.state.folders import ensure_folders
from tests.benchmarks.errand import errand, errand_task
from tests.stress.jobs import hashes, make_job, panopipe


def main() -> None:
    """Measure, and print both tables."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.cluster", description=__doc__)
    parser.add_argument("--errands", type=int, default=300, help="frames without work (300)")
    parser.add_argument("--workers", type=int, nargs="*", default=[1, 2, 4])
    parser.add_argument("--frames", type=int, default=10_000, help="on paper (10000)")
    # Measured at 18.9 megapixels, uncompressed (113 MB), default recipe; solving at 120 frames of 64 pixels.
    parser.add_argument("--finish", type=float, default=1.65, help="seconds of a worker to finish a frame")
    parser.add_argument("--look", type=float, default=0.6, help="seconds of a worker to look at it")
    parser.add_argument("--read", type=float, default=113, help="megabytes of its original")
    parser.add_argument("--write", type=float, default=20, help="megabytes of all that is written of it")
    parser.add_argument("--solve", type=float, default=0.145, help="seconds a frame of the joint solutions")
    parser.add_argument(
        "--parent", type=float, default=0.02, help="seconds a frame of the command, with its disk"
    )
    parser.add_argument(
        "--link", type=float, default=10, help="gigabits a second of the shared folder's link"
    )
    asked = parser.parse_args()
    if asked.workers:
        added(asked.workers, asked.errands)
    paper(asked)


def added(counts: list[int], errands: int) -> None:
    """Print what a cluster adds to a frame, and whether the files are the same."""
    heads = [f"{name:>9} {'cluster':>9} {'added':>8}" for name in ("wall ms", "CPU ms")]
    print(f"{'workers':>8} {' '.join(heads)}  files")
    for count in counts:
        with tempfile.TemporaryDirectory() as room:
            plain = _measured(_pool, Path(room) / "plain", count, errands)
            cluster = _measured(_cluster, Path(room) / "cluster", count, errands)
            same = _same_files(Path(room), count)
        figures = [
            1000 * value for pair in zip(plain, cluster, strict=True) for value in (*pair, pair[1] - pair[0])
        ]
        cells = " ".join(f"{value:{8 if place % 3 == 2 else 9}.1f}" for place, value in enumerate(figures))
        print(f"{count:8} {cells}  {'equal' if same else 'OTHER'}", flush=True)


@contextmanager
def _pool(folder: Path, count: int) -> Iterator[Executor]:
    with WorkerPool(count) as pool:
        yield pool


@contextmanager
def _cluster(folder: Path, count: int) -> Iterator[Executor]:
    with Cluster(f"local:{count}", folder, (), 600) as cluster:
        executor = cluster.executor(count, print)
        yield executor
        executor.kill()


def _measured(opened: Callable[..., object], folder: Path, count: int, errands: int) -> tuple[float, float]:
    """Seconds of wall time, and of CPU of all processes, that a frame without work takes."""
    folder.mkdir()
    ensure_folders(folder)
    with opened(folder, count) as executor:  # type: ignore[attr-defined]
        _send(executor, folder, range(10 * count))  # all are started, and have loaded what they need
        began, cpu = time.monotonic(), _cpu()
        _send(executor, folder, range(errands))
        return (time.monotonic() - began) / errands, (_cpu() - cpu) / errands


def _send(executor: Executor, folder: Path, numbers: range) -> None:
    tasks = ((str(number), errand_task(folder, number)) for number in numbers)
    for _, done in dispatch(executor, errand, tasks, lambda _: None):
        if done.result is None:
            raise RuntimeError(done.error)


def _cpu() -> float:
    this = psutil.Process()
    return sum(sum(one.cpu_times()[:2]) for one in (this, *this.children(recursive=True)))


def _same_files(room: Path, count: int) -> bool:
    plain, cluster = (make_job(room / name, rooms=2, frames=3, width=256) for name in ("one", "many"))
    for job, words in ((plain, ("--workers", 1)), (cluster, ("--cluster", f"local:{count}"))):
        ran = panopipe("run", job, "--no-review", *words)
        if ran.code:
            raise RuntimeError(ran.output)
    return hashes(plain / "finished") == hashes(cluster / "finished")


@dataclass(frozen=True)
class Phase:
    """A phase of a night: what a frame takes of a worker, of the link, of the command."""

    worker_s: float
    link_s: float
    parent_s: float

    def seconds(self, frames: int, workers: int) -> tuple[float, str]:
        """How long it takes, and what holds it up: they work beside each other."""
        each = {
            "workers": self.worker_s / workers,
            "link": self.link_s,
            "command": self.parent_s,
        }
        slowest = max(each, key=lambda name: each[name])
        return frames * each[slowest], slowest


def paper(asked: argparse.Namespace) -> None:
    """Print, for more and more workers, the time of a night and what holds it up."""
    megabytes_s = 1000 * asked.link / 8
    look = Phase(asked.look, asked.read / megabytes_s, asked.parent / 2)
    solve_s = asked.frames * asked.solve
    print(f"\non paper: {asked.frames} frames, {asked.link:g} Gbit a second; minutes")
    heads = ("look", "held up by", "solve", "finish", "held up by", "all")
    for times, read in (("twice", asked.read), ("once", 0)):
        print(f"\noriginals read {times}\n{'workers':>8}" + "".join(f"{head:>12}" for head in heads))
        finish = Phase(asked.finish, (read + asked.write) / megabytes_s, asked.parent)
        for workers in (1, 2, 4, 8, 16, 32, 64, 128):
            look_s, at_look = look.seconds(asked.frames, workers)
            finish_s, at_finish = finish.seconds(asked.frames, workers)
            cells = (look_s, at_look, solve_s, finish_s, at_finish, look_s + solve_s + finish_s)
            shown = (cell if isinstance(cell, str) else f"{cell / 60:.0f}" for cell in cells)
            print(f"{workers:8}" + "".join(f"{cell:>12}" for cell in shown))


if __name__ == "__main__":
    main()
