"""Kills of deliver at random moments: under the final name there is never half a delivery."""

from __future__ import annotations

import multiprocessing
import os
import random
import shutil
import signal
import sys
import time
from collections import Counter
from multiprocessing.context import BaseContext
from pathlib import Path

from panopipe.delivery.checksums import verify_delivery
from panopipe.delivery.make import deliver
from panopipe.delivery.plan import Options
from panopipe.state.run_log import SilentReporter
from tests.benchmarks.delivery import finished as finished_job
from tests.stress.jobs import hashes

_PATTERNS = ("{number}-{name}", "{name}", "{room}/{number}")
"""Each is another delivery, so that what stands there is replaced."""


def kill_deliveries(room: Path, count: int, seed: int = 1) -> list[str]:
    """Kill a delivery at `count` moments, then deliver again; return the lines of the table.

    What is killed is a process that has everything loaded, so that the moments fall into its work.
    """
    chance, tally, job = random.Random(seed), Counter[str](), room / "job"
    finished_job(job, 16, 1024)
    before = hashes(job / "finished")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["panopipe.delivery.make"])
    spans = {kind: _span_s(context, job, room / f"calm{_ending(kind)}") for kind in ("folder", "zip")}
    for _ in range(count):
        kind = chance.choice(list(spans))
        place = room / kind / f"out{_ending(kind)}"
        if chance.random() < 0.3:
            shutil.rmtree(place.parent, ignore_errors=True)
        place.parent.mkdir(exist_ok=True)
        stood = place.exists()
        _killed(context, job, place, chance.choice(_PATTERNS), chance.uniform(0, 1.1) * spans[kind], tally)
        tally["half a delivery"] += place.exists() and not _is_whole(place)
        tally["of these, none where one stood"] += stood and not place.exists()
        tally["caught with a part written"] += len(list(place.parent.iterdir())) > place.exists()
        deliver(job, Options(place, anyway=True), SilentReporter())
        tally["next delivery not whole"] += not _is_whole(place)
        tally["left over"] += sum(path != place for path in place.parent.iterdir())
        print(dict(tally), file=sys.stderr, flush=True)
    tally["finished files changed"] += hashes(job / "finished") != before
    return [f"{what:34} {found:6}" for what, found in tally.items()]


def _deliver(job: Path, place: Path, names: str) -> None:
    deliver(job, Options(place, names, anyway=True), SilentReporter())


def _span_s(context: BaseContext, job: Path, place: Path) -> float:
    """Seconds that an undisturbed delivery takes; the second, as the first loads what is loaded late."""
    for names in _PATTERNS[:2]:
        started = time.monotonic()
        process = context.Process(target=_deliver, args=(job, place, names))  # type: ignore[attr-defined]
        process.start()
        process.join(600)
        if process.exitcode:
            raise RuntimeError(f"{place.name} was not delivered")
    return time.monotonic() - started


def _killed(
    context: BaseContext, job: Path, place: Path, names: str, after_s: float, tally: Counter[str]
) -> None:
    process = context.Process(target=_deliver, args=(job, place, names))  # type: ignore[attr-defined]
    process.start()
    time.sleep(after_s)
    if process.is_alive() and process.pid:
        os.kill(process.pid, signal.SIGKILL)
    process.join(600)
    tally["killed"] += process.exitcode == -signal.SIGKILL
    tally["too late"] += process.exitcode == 0


def _ending(kind: str) -> str:
    return ".zip" if kind == "zip" else ""


def _is_whole(place: Path) -> bool:
    try:
        verified = verify_delivery(place, SilentReporter())
    except (ValueError, OSError):
        return False
    return verified.good > 0 and not verified.wrong and not verified.unknown
