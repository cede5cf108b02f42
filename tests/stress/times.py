"""What a rerun costs: with nothing changed, and with one override, in a job of 80 frames."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

from tests.stress.jobs import Ran, make_job, panopipe


def time_reruns(room: Path, frames: int = 80, width: int = 512) -> list[str]:
    """Run a job, run it again, change one frame, run again; return the lines of the table."""
    job = make_job(room / "job", rooms=max(1, frames // 10), frames=10, width=width)
    first = _good(panopipe("run", job, "--no-review", limit_s=7200))
    nothing = [_good(panopipe("run", job, "--no-review")) for _ in range(3)]
    start = min(_bare_start() for _ in range(3))
    panopipe("set", job, "room-01/r01-03", "tone.exposure_ev=0.3")
    one = _good(panopipe("run", job, "--no-review"))
    best = min(nothing, key=lambda ran: ran.wall_s)
    return [
        f"{'first run of all frames':44} {first.wall_s:8.2f} s {first.cpu_s:8.2f} s CPU",
        f"{'a frame of it':44} {first.wall_s / frames:8.2f} s {first.cpu_s / frames:8.2f} s CPU",
        f"{'interpreter start alone':44} {start:8.2f} s",
        f"{'rerun with nothing changed (best of 3)':44} {best.wall_s:8.2f} s {best.cpu_s:8.2f} s CPU",
        f"{'... beyond interpreter start':44} {best.wall_s - start:8.2f} s",
        f"{'rerun after one override':44} {one.wall_s:8.2f} s {one.cpu_s:8.2f} s CPU",
    ]


def _good(ran: Ran) -> Ran:
    if ran.code:
        raise RuntimeError(ran.output)
    return ran


def _bare_start() -> float:
    started = time.monotonic()
    subprocess.run([sys.executable, "-c", "pass"], check=True)
    return time.monotonic() - started
