"""What a whole job costs, all counted: looking, solving, finishing, start and end; and what workers give."""

from __future__ import annotations

import json
import shutil
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

from tests.benchmarks.speed_parts import command, make_frame, measured, two_at_once

if TYPE_CHECKING:
    from tests.benchmarks.speed import Table

WIDTH = 6144
MEGAPIXELS = WIDTH * WIDTH / 2 / 1e6
FORMS = {"none": ("uncompressed", 2.6), "ljpeg": ("lossless JPEG tiles", 1.4)}
"""Forms of the frames, and what a job may cost against raw library and encode."""
PHASES = {"looked": "look", "solved": "solve", "finished": "finish"}
MANY = 40
"""Frames of a job of which the start of its processes is no part to speak of."""


def job_tables(table: Table, folder: Path, frames: int) -> None:
    """Measure jobs of frames of 18.9 megapixels, each frame a place of its own."""
    costs = {}
    for form in FORMS:
        job = _make(folder / form, frames, form)
        costs[form] = _cost(job, frames)
        costs[form]["raw library + encode"] = _floor(job)
    _whole_table(table, frames, costs)
    _workers_table(table, folder / "none", frames)


def _make(job: Path, frames: int, form: str) -> Path:
    for number in range(frames):
        path = job / "originals" / "hall" / f"hall-{number:02d}.dng"
        path.parent.mkdir(parents=True, exist_ok=True)
        make_frame(path, WIDTH, seed=number, compression=form)
    # Few rooms are drawn: frames of one must not be taken for takes of one stand.
    (job / "job.toml").write_text('title = "Speed"\nseparate = ["hall/*"]\n', encoding="utf-8")
    return job


def _cost(job: Path, frames: int) -> Counter[str]:
    """CPU ms a frame of one worker by phase and stage, and of all processes."""
    whole, _ = command("run", str(job), "--no-review", "--workers", "1")
    cost: Counter[str] = Counter()
    for log in (job / "logs").glob("*.events.jsonl"):
        for line in log.read_text(encoding="utf-8").splitlines():
            event = json.loads(line)
            if event["event"] in PHASES:
                for stage, seconds in event["seconds"].items():
                    cost[f"{PHASES[event['event']]}: {stage}"] += seconds * 1e3 / frames
    cost["start, ledger, files"] = whole * 1e3 / frames - cost.total()
    cost["all"] = whole * 1e3 / frames
    return cost


def _floor(job: Path) -> float:
    """CPU ms of the raw library's decode of the first frame, and of encoding it once finished."""
    original, finished = job / "floor.dng", job / "floor.jpg"
    shutil.copyfile(job / "originals/hall/hall-00.dng", original)
    shutil.copyfile(job / "finished/hall/hall-00.jpg", finished)
    seconds = float(measured("raw library + encode", original)["seconds"])
    original.unlink()
    finished.unlink()
    return seconds * 1e3


def _whole_table(table: Table, frames: int, costs: dict[str, Counter[str]]) -> None:
    table.head(f"{frames} frames, 18.9 MP, one worker: CPU ms a frame", *(name for name, _ in FORMS.values()))
    for row in dict.fromkeys(row for cost in costs.values() for row in cost):
        if any(cost[row] >= 0.5 for cost in costs.values()):
            table(row, *(f"{cost[row]:.0f}" for cost in costs.values()))
    table("CPU ms a megapixel", *(f"{cost['all'] / MEGAPIXELS:.1f}" for cost in costs.values()))
    for form, (name, bar) in FORMS.items():
        cost = costs[form]
        table.bar(f"job against raw library + encode, {name}", cost["all"] / cost[_FLOOR], "at most", bar)
    decode = costs["ljpeg"]["finish: decode"] / costs["ljpeg"]["look: decode"]
    table.bar("decode of tiles while finishing against looking", decode, "at most", 1.05)


_FLOOR = "raw library + encode"


def _workers_table(table: Table, job: Path, frames: int) -> None:
    """One worker, two, and proofs that come first."""
    run = ("run", str(job), "--no-review", "--workers")
    idle = measured("imports", job, 1)["seconds"]
    took = {}
    for workers in (1, 2):
        _as_new(job)
        took[workers] = command(*run, str(workers))
    again = command(*run, "1")[0]
    _as_new(job)
    proof, after = command("proof", str(job), "--workers", "1")[0], command(*run, "1")[0]
    one, start = took[1][0], again + idle

    def of_many(seconds: float, starts: float) -> float:
        return starts * start + (seconds - starts * start) * MANY / frames

    more = of_many(proof + after, 2) - of_many(one, 1)
    faster, ceiling = took[1][1] / took[2][1], two_at_once()
    table.head(f"a job of {frames} frames of 18.9 MP", "figure")
    table("start and end of a run and a worker: CPU s", f"{start:.2f}")
    table("two workers against one, frames a minute", f"{faster:.2f}")
    table("two processes that only count, against one", f"{ceiling:.2f}")
    table("CPU of the job, two workers against one", f"{took[2][0] / one:.2f}")
    table("proofs with all that they prepare, against the run", f"{proof / one:.2f}")
    table("what proofs add to a run that comes after them", f"{(proof + after - one) / one:.2f}")
    table(f"the same for {MANY} frames, start set apart", f"{more / of_many(one, 1):.2f}")
    table.bar("two workers against one", faster, "at least", 1.85)
    table.bar(f"what proofs of {MANY} frames add to their run", more / of_many(one, 1), "at most", 0.25)


def _as_new(job: Path) -> None:
    for made in ("finished", ".panopipe", "logs", "review", "proofs"):
        shutil.rmtree(job / made, ignore_errors=True)
