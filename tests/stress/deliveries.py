"""Kills of deliver at random moments: under the final name there is never half a delivery."""

from __future__ import annotations

import random
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

from panopipe.delivery.checksums import verify_delivery
from panopipe.state.run_log import SilentReporter
from tests.benchmarks.delivery import finished as finished_job
from tests.stress.jobs import command, hashes, panopipe


def kill_deliveries(room: Path, count: int, seed: int = 1) -> list[str]:
    """Kill a delivery at `count` moments, then deliver again; return the lines of the table."""
    chance, tally = random.Random(seed), Counter[str]()
    job = room / "job"
    finished_job(job, 16, 1024)
    originals, finished = hashes(job / "originals"), hashes(job / "finished")
    spans = {}
    for kind in ("folder", "zip"):
        calm = panopipe("deliver", job, "--anyway", "--to", room / f"calm{_ending(kind)}")
        if calm.code:
            raise RuntimeError(calm.output)
        spans[kind] = calm.wall_s
    for _ in range(count):
        kind = chance.choice(list(spans))
        place = room / kind / f"out{_ending(kind)}"
        if chance.random() < 0.5:
            shutil.rmtree(place.parent, ignore_errors=True)
        place.parent.mkdir(exist_ok=True)
        stood = place.exists()
        # Every other pattern is another delivery, so that what stands there is replaced.
        words = ("deliver", job, "--anyway", "--to", place)
        running = subprocess.Popen(
            command(*words, "--names", chance.choice(["{number}-{name}", "{name}", "{room}/{number}"])),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        time.sleep(chance.uniform(0.3, 1.05) * spans[kind])
        how = chance.choice([signal.SIGKILL, signal.SIGKILL, signal.SIGTERM])
        running.send_signal(how)
        tally[f"{kind} ended by {how.name}"] += running.wait(600) != 0
        tally["half a delivery"] += place.exists() and not _is_whole(place)
        tally["none where one stood"] += stood and not place.exists()
        again = panopipe(*words)
        tally["next delivery failed"] += again.code != 0
        tally["next delivery not whole"] += not _is_whole(place)
        tally["left over"] += sum(path != place for path in place.parent.iterdir())
        print(dict(tally), file=sys.stderr, flush=True)
    tally["originals or finished changed"] += (
        hashes(job / "originals") != originals or hashes(job / "finished") != finished
    )
    return [f"{what:34} {found:6}" for what, found in tally.items()]


def _ending(kind: str) -> str:
    return ".zip" if kind == "zip" else ""


def _is_whole(place: Path) -> bool:
    try:
        verified = verify_delivery(place, SilentReporter())
    except (ValueError, OSError):
        return False
    return verified.good > 0 and not verified.wrong and not verified.unknown
