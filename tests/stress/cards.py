"""Kills of intake at random moments: the next one completes, the manifest is right, nothing is left."""

from __future__ import annotations

import random
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

from tests.stress.jobs import command, hashes, make_job, panopipe


def kill_intakes(room: Path, count: int, seed: int = 1) -> list[str]:
    """Kill an intake at `count` moments, then take in again; return the lines of the table."""
    chance, tally = random.Random(seed), Counter[str]()
    card = make_job(room / "calm", rooms=4, frames=8, width=256) / "originals"
    calm = panopipe("intake", card, room / "timed")
    wanted, job = hashes(card), room / "job"
    for _ in range(count):
        shutil.rmtree(job, ignore_errors=True)
        running = subprocess.Popen(
            command("intake", card, job), stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
        )
        time.sleep(chance.uniform(0.3, 1.0) * calm.wall_s)
        how = chance.choice([signal.SIGKILL, signal.SIGTERM, signal.SIGHUP])
        running.send_signal(how)
        _, said = running.communicate(timeout=600)
        tally[f"ended by {how.name}"] += running.returncode != 0
        tally["more than one line"] += len(said.splitlines()) > 1
        if job.is_dir():
            tally["wrong before the next intake"] += _wrong(job)
        again = panopipe("intake", card, job)
        tally["next intake failed"] += again.code != 0
        tally["originals other than the card's"] += hashes(job / "originals") != wanted
        tally["wrong by the manifest"] += _wrong(job)
        tally["left over"] += len(list(job.rglob("*.part")))
        print(dict(tally), file=sys.stderr, flush=True)
    return [f"{what:34} {found:6}" for what, found in tally.items()]


def _wrong(job: Path) -> bool:
    """Whether verify finds anything wrong; a job without a manifest has none."""
    return (job / "manifest.json").exists() and panopipe("verify", job).code != 0
