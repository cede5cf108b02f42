"""Kills at random moments: workers, the parent, all of them. Nothing may be lost or look finished by half."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import imagecodecs

from tests.stress.jobs import command, hashes, make_job, panopipe, put_again


def kill_all(room: Path, count: int, seed: int = 1) -> list[str]:
    """Kill `count` processes over as many runs as that takes; return the lines of the table."""
    chance = random.Random(seed)
    calm = make_job(room / "calm", rooms=2, frames=3, width=256)
    undisturbed = panopipe("run", calm, "--no-review", "--workers", 2)
    if undisturbed.code:
        raise RuntimeError(undisturbed.output)
    wanted, originals = hashes(calm / "finished"), hashes(calm / "originals")
    tally: Counter[str] = Counter()
    while tally["kills"] < count:
        job = room / "job"
        put_again(calm, job)
        tally["jobs"] += 1
        _one_job(job, wanted, undisturbed.wall_s, chance, tally)
        tally["originals changed"] += hashes(job / "originals") != originals
        tally["outputs lost or other"] += hashes(job / "finished") != wanted
        tally["temporary files left"] += len(list(job.rglob("*.part")))
        print(dict(tally), file=sys.stderr, flush=True)
    names = ("kills", "of a worker", "of the parent", "of all", "jobs", "runs", "outputs half-written")
    names += (
        "whole outputs to be made again",
        "outputs lost or other",
        "temporary files left",
        "originals changed",
    )
    return [f"{name:32} {tally[name]:6}" for name in names]


def _one_job(
    job: Path, wanted: dict[str, str], span_s: float, chance: random.Random, tally: Counter[str]
) -> None:
    """Run a job and kill, again and again, until a run comes through by itself."""
    calm_after = chance.randint(2, 6)
    for attempt in range(1000):
        tally["runs"] += 1
        running = subprocess.Popen(
            command("run", job, "--no-review", "--workers", 2),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        if attempt < calm_after:
            _disturb(running, span_s, chance, tally)
        code = running.wait(600)
        there = hashes(job / "finished")
        named = [name for name in there if not name.endswith(".part")]
        tally["outputs half-written"] += sum(not _is_whole(job / "finished" / name) for name in named)
        # A frame whose worker was killed twice in one run has failed in it, and white is solved without it.
        tally["whole outputs to be made again"] += sum(wanted.get(name) != there[name] for name in named)
        if code == 0:
            return
    raise RuntimeError("a job did not come to its end in 1000 runs")


def _disturb(
    running: subprocess.Popen[bytes], span_s: float, chance: random.Random, tally: Counter[str]
) -> None:
    """Kill workers now and then, and mostly the parent or all in the end."""
    while running.poll() is None:
        time.sleep(chance.uniform(0, span_s / 3))
        if running.poll() is not None:
            return
        whom = chance.choices(["of a worker", "of the parent", "of all"], [4, 1, 1])[0]
        workers = [pid for pid in _children(running.pid) if pid]
        if whom == "of a worker" and not workers:
            continue
        victims = {"of a worker": workers and [chance.choice(workers)], "of the parent": [running.pid]}
        killed = 0
        for pid in victims.get(whom, [running.pid, *workers]):
            killed += _killed(pid)
        tally[whom] += bool(killed)
        tally["kills"] += killed


def _children(pid: int) -> Iterator[int]:
    """Worker processes of a run; its resource tracker is left alone, it holds nothing of ours."""
    for tasks in Path(f"/proc/{pid}/task").glob("*/children"):
        for child in tasks.read_text().split():
            try:
                words = Path(f"/proc/{child}/cmdline").read_bytes()
            except OSError:
                continue
            if b"spawn_main" in words:
                yield int(child)


def _is_whole(path: Path) -> bool:
    data = path.read_bytes()
    try:
        return data.endswith(b"\xff\xd9") and imagecodecs.jpeg_decode(data).ndim == 3
    except imagecodecs.JpegError:
        return False


def _killed(pid: int) -> bool:
    try:
        os.kill(pid, signal.SIGKILL)
    except ProcessLookupError:
        return False
    return True
