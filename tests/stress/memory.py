"""Large frames under a limit of memory: the run must choose workers that fit, and come through."""

from __future__ import annotations

import os
import subprocess
import threading
import time
from datetime import datetime, timedelta
from pathlib import Path

import cv2
import numpy as np

from tests.makers.dng import Shot, write_linear_dng
from tests.stress.jobs import command, room_samples

GB = 1 << 30
_DRAWN = 1024
"""Columns at which a scene is drawn: at full width that takes minutes and gigabytes a frame."""
_BEGAN = datetime(2026, 11, 24, 18)


def run_large(room: Path, frames: int, width: int, limit_bytes: int) -> list[str]:
    """Run frames of `width` columns under a limit; return the lines of the table.

    Where this process may make a control group, the limit is the system's; elsewhere the processes are only
    measured, and the line says so.
    """
    job = room / "job"
    _write_frames(job / "originals/room", frames, width)
    group = _group(limit_bytes)
    started = time.monotonic()
    running = subprocess.Popen(
        command("run", job, "--no-review"),
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        preexec_fn=(lambda: _enter(group)) if group else None,  # noqa: PLW1509 - no thread runs yet
    )
    peak = _Peak(running.pid)
    output, _ = running.communicate()
    wall = time.monotonic() - started
    megapixels = width * width / 2 / 1e6
    limit = f"limit of {limit_bytes / GB:.1f} GB by control group" if group else "no limit could be set here"
    lines = [
        f"{frames} frames of {megapixels:.1f} megapixels, {limit}",
        *(line for line in output.splitlines() if "workers" in line or "worker (" in line),
        f"{'exit code':34} {running.returncode:8}",
        f"{'time':34} {wall:8.1f} s",
        f"{'peak of all processes together':34} {peak.stop() / GB:8.2f} GB resident",
    ]
    if group:
        used = (
            (group / "memory.peak")
            if (group / "memory.peak").exists()
            else group / "memory.max_usage_in_bytes"
        )
        lines.append(f"{'peak of the group, file cache in it':34} {int(used.read_text()) / GB:8.2f} GB")
        _remove(group)
    return lines


def _write_frames(folder: Path, frames: int, width: int) -> None:
    """Frames of as many stands, two minutes apart: scenes enlarged, with the same grain turned."""
    grain = np.random.default_rng(1).integers(0, 600, (width // 2, width, 3), np.uint16)
    for number in range(1, frames + 1):
        small = room_samples(min(width, _DRAWN), number)
        samples = cv2.resize(small, (width, width // 2), interpolation=cv2.INTER_LINEAR)
        turn = number * width // (frames + 1)
        cv2.add(samples[:, :turn], grain[:, width - turn :], dst=samples[:, :turn])
        cv2.add(samples[:, turn:], grain[:, : width - turn], dst=samples[:, turn:])
        taken = _BEGAN + timedelta(minutes=2 * number)
        write_linear_dng(
            folder / f"r-{number:02d}.dng", samples, shot=Shot(taken=f"{taken:%Y:%m:%d %H:%M:%S}")
        )


def _group(limit_bytes: int) -> Path | None:
    for root, limit in (
        (Path("/sys/fs/cgroup"), "memory.max"),
        (Path("/sys/fs/cgroup/memory"), "memory.limit_in_bytes"),
    ):
        group = root / f"panopipe-stress-{os.getpid()}"
        try:
            group.mkdir()
        except OSError:
            continue
        try:
            if (group / "cgroup.procs").exists() and (group / limit).exists():
                (group / limit).write_text(str(limit_bytes))
                return group
        except OSError:
            pass
        group.rmdir()
    return None


def _remove(group: Path) -> None:
    """Remove a control group once the last of its processes is gone, which may take a moment."""
    until = time.monotonic() + 30
    while True:
        try:
            return group.rmdir()
        except OSError:
            if time.monotonic() > until:
                raise
            time.sleep(0.1)


def _enter(group: Path) -> None:
    (group / "cgroup.procs").write_text(str(os.getpid()))


class _Peak:
    """Watches the resident memory of a process and its children, shared pages counted once (PSS)."""

    def __init__(self, pid: int) -> None:
        self._pid, self._peak, self._on = pid, 0, True
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self._thread.start()

    def stop(self) -> int:
        self._on = False
        self._thread.join()
        return self._peak

    def _watch(self) -> None:
        while self._on:
            self._peak = max(self._peak, sum(map(_resident, [self._pid, *_below(self._pid)])))
            time.sleep(0.1)


def _below(pid: int) -> list[int]:
    found = []
    for path in Path(f"/proc/{pid}/task").glob("*/children"):
        try:
            found += [int(child) for child in path.read_text().split()]
        except OSError:
            continue
    return found


def _resident(pid: int) -> int:
    try:
        for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
            if line.startswith("Pss:"):
                return int(line.split()[1]) * 1024
    except OSError:
        pass
    return 0
