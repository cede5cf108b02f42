"""Settings that are given at once, and beside a run: no value may be lost."""

from __future__ import annotations

import random
import subprocess
import sys
import tomllib
from collections import Counter
from pathlib import Path

from tests.stress.jobs import command, make_job

_KEYS = (
    "exposure_ev",
    "shadows_ev",
    "highlights_ev",
    "view_white_percent",
    "detail_percent",
    "slope_percent",
)


def set_all(room: Path, times: int = 100, seed: int = 1) -> list[str]:
    """Give six settings at once `times` times, now and then beside `carry` and a run; return the table."""
    chance, tally = random.Random(seed), Counter[str]()
    job = make_job(room / "job", rooms=2, frames=1, width=64)
    recipe = job / "overrides/room-01.toml"
    for number in range(times):
        wanted = {key: chance.randint(1, 2000) / 1000 for key in _KEYS[:6]}
        running = [_begun("set", job, "room-01", f"tone.{key}={value}") for key, value in wanted.items()]
        beside = []
        if number % 5 == 0:
            beside.append(_begun("run", job, "--no-review", "--workers", 1))
        if number % 5 == 1:
            beside.append(_begun("carry", job, "room-01", "room-02", "--write"))
        codes = [one.wait(600) for one in running]
        there = tomllib.loads(recipe.read_text(encoding="utf-8"))["tone"]
        tally["commands at once"] += len(running) + len(beside)
        tally["refused"] += sum(code != 0 for code in codes)
        tally["values lost"] += sum(
            code == 0 and there.get(key) != value
            for code, (key, value) in zip(codes, wanted.items(), strict=True)
        )
        for one in beside:
            one.wait(600)
        print(dict(tally), file=sys.stderr, flush=True)
    return [f"{what:34} {found:6}" for what, found in tally.items()]


def _begun(*words: object) -> subprocess.Popen[bytes]:
    return subprocess.Popen(command(*words), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
