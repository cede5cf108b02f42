"""Very many small frames: the parent's memory, and the time of a frame, as their number grows."""

from __future__ import annotations

import os
import shutil
import subprocess
import threading
import time
from pathlib import Path

from tests.stress.jobs import command, make_job


def run_many(room: Path, counts: tuple[int, ...]) -> list[str]:
    """Run jobs of so many frames of 64 pixels; return the lines of the table."""
    lines = [f"{'frames':>8} {'parent MB':>10} {'CPU ms a frame':>15} {'of the parent':>14}"]
    for count in counts:
        job = make_job(room / "job", rooms=max(1, count // 100), frames=min(count, 100), width=64)
        peak, cpu, own = _run(job)
        lines.append(f"{count:8} {peak:10.0f} {1000 * cpu / count:15.1f} {1000 * own / count:14.1f}")
        shutil.rmtree(job)
    return lines


def _run(job: Path) -> tuple[float, float, float]:
    before = os.times()
    running = subprocess.Popen(
        command("run", job, "--no-review", "--workers", 2),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.STDOUT,
    )
    peak = [0.0, 0.0]
    ended = threading.Event()

    def watch() -> None:
        while not ended.is_set():
            peak[0] = max(peak[0], _memory(running.pid))
            peak[1] = max(peak[1], _cpu(running.pid))
            time.sleep(0.2)

    watching = threading.Thread(target=watch)
    watching.start()
    code = running.wait(36000)
    ended.set()
    watching.join()
    after = os.times()
    if code:
        raise RuntimeError(f"the run ended with code {code}")
    cpu = after.children_user + after.children_system - before.children_user - before.children_system
    return peak[0], cpu, peak[1]


def _memory(pid: int) -> float:
    """Resident memory of one process, its workers not counted, in MB."""
    try:
        status = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    except OSError:
        return 0.0
    return next(
        (int(line.split()[1]) / 1024 for line in status.splitlines() if line.startswith("VmRSS")), 0.0
    )


def _cpu(pid: int) -> float:
    try:
        fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    except OSError:
        return 0.0
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
