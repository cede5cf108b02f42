"""Small jobs for the stress commands, and how to run panopipe on them as a user does."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.makers.dng import neutral_of, write_linear_dng

NEUTRAL = neutral_of((0.9504559, 1.0, 1.0890578))
"""Camera values of daylight."""


def room_samples(width: int, seed: int) -> np.ndarray:
    """Camera samples of an even, slightly noisy room with a bright window, uint16 (width / 2, width, 3)."""
    random = np.random.default_rng(seed)
    yaw = np.linspace(0, 2 * np.pi, width, endpoint=False)[None, :]
    pitch = np.linspace(0, np.pi, width // 2)[:, None]
    light = 0.12 + 0.06 * np.sin(yaw + seed) * np.sin(pitch) + 0.04 * np.cos(3 * pitch)
    light = light + 0.9 * (np.hypot((yaw - 2) * 2, (pitch - 1.4) * 3) < 0.6)
    walls = random.uniform(0.6, 1.2, (8, 16))  # of another stand for each seed: they are no takes of one
    light = light * np.kron(walls, np.ones((width // 16, width // 16)))
    light = light * (1 + 0.02 * random.standard_normal(light.shape))
    warm = np.array([1.05, 1.0, 0.92]) if seed % 2 else np.array([0.97, 1.0, 1.04])
    return (np.clip(light[..., None] * NEUTRAL * warm, 0, 1) * 65535).astype(np.uint16)


SHORT = '[pipeline]\norder = ["decode", "tone", "vibrance", "balance", "export"]\n'
"""A recipe without the floor's work: frames of a few pixels have no floor, and kills want many runs."""


def make_job(folder: Path, *, rooms: int, frames: int, width: int, recipe: str = SHORT) -> Path:
    """Write a job of DNGs."""
    folder.mkdir(parents=True)
    (folder / "recipe.toml").write_text(recipe)
    for room in range(1, rooms + 1):
        for number in range(1, frames + 1):
            path = folder / "originals" / f"room-{room:02d}" / f"r{room:02d}-{number:02d}.dng"
            write_linear_dng(path, room_samples(width, room * 1000 + number))
    return folder


@dataclass(frozen=True)
class Ran:
    """How a command went."""

    code: int
    output: str
    wall_s: float
    cpu_s: float


def put_again(calm: Path, job: Path) -> None:
    """Put a job with the originals and the recipe of another in place of one that was there before."""
    shutil.rmtree(job, ignore_errors=True)
    shutil.copytree(calm / "originals", job / "originals")
    shutil.copy(calm / "recipe.toml", job)


def panopipe(*words: object, limit_s: float = 600) -> Ran:
    """Run a command to its end."""
    started, before = time.monotonic(), os.times()
    done = subprocess.run(
        command(*words),
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        errors="replace",
        timeout=limit_s,
        check=False,
    )
    after = os.times()
    cpu = after.children_user + after.children_system - before.children_user - before.children_system
    return Ran(done.returncode, done.stdout, time.monotonic() - started, cpu)


def command(*words: object) -> list[str]:
    """Command line of panopipe."""
    return [sys.executable, "-m", "panopipe", *map(str, words)]


def hashes(folder: Path) -> dict[str, str]:
    """SHA-256 of every file below a folder, by relative path."""
    if not folder.is_dir():
        return {}
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }
