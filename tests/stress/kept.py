"""Damage to what a run keeps in the job folder: the next run gives the same pictures, or says why not."""

from __future__ import annotations

import random
import shutil
from collections import Counter
from pathlib import Path

from tests.stress.jobs import hashes, make_job, panopipe
from tests.stress.mutations import damaged


def damage_kept(room: Path, count: int, seed: int = 1) -> list[str]:
    """Run `count` times on damaged working files; return the lines of the table."""
    chance, tally = random.Random(seed), Counter[str]()
    calm = make_job(room / "calm", rooms=2, frames=2, width=256)
    undisturbed = panopipe("run", calm, "--workers", 2)
    if undisturbed.code:
        raise RuntimeError(undisturbed.output)
    wanted = hashes(calm / "finished")
    kept = [path.relative_to(calm) for path in sorted((calm / ".panopipe").rglob("*")) if path.is_file()]
    job = room / "job"
    for _ in range(count):
        shutil.rmtree(job, ignore_errors=True)
        shutil.copytree(calm, job, copy_function=shutil.copy2)
        for name in chance.sample(kept, 3):
            path = job / name
            path.write_bytes(damaged(path.read_bytes(), chance))
        if chance.random() < 0.8:
            shutil.rmtree(job / "finished")
        done = panopipe("run", job, "--workers", 1)
        tally["runs on damaged working files"] += 1
        tally["came through"] += done.code == 0
        tally["pictures other than before"] += hashes(job / "finished") != wanted
        tally["faults or tracebacks"] += "Traceback" in done.output or "fault of its own" in done.output
    return [f"{name:34} {number:6}" for name, number in tally.items()]
