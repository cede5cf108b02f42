"""Links in the place of everything that is written or removed in a job: nothing beyond them may change."""

from __future__ import annotations

import random
import shutil
import sys
import threading
from collections import Counter
from pathlib import Path

from tests.stress.jobs import hashes, make_job, panopipe

_COMMANDS = ("run", "proof", "set", "intake")


def link_all(room: Path, during: int = 20, seed: int = 1) -> list[str]:
    """Put links everywhere, before commands and while they run; return the lines of the table."""
    tally, examples = Counter[str](), list[str]()
    calm = make_job(room / "calm", rooms=2, frames=1, width=64)
    panopipe("set", calm, "room-01", "tone.shadows_ev=0.5")
    for command in ("run", "proof"):
        done = panopipe(command, calm)
        if done.code:
            raise RuntimeError(done.output)
    names = sorted(path.relative_to(calm).as_posix() for path in calm.rglob("*"))
    names = [name for name in names if not name.startswith("originals/")]
    for number, name in enumerate(names):
        _one(room, calm, name, _COMMANDS[number % len(_COMMANDS)], tally, examples)
        if (calm / name).is_dir():  # folders are tried by every command
            for command in _COMMANDS:
                _one(room, calm, name, command, tally, examples)
    chance = random.Random(seed)
    for _ in range(during):
        _while_running(room, calm, names, chance, tally, examples)
    return [f"{what:34} {found:6}" for what, found in tally.items()] + examples[:20]


def _one(room: Path, calm: Path, name: str, command: str, tally: Counter[str], examples: list[str]) -> None:
    job, outside, before = _fresh(room, calm)
    _link(job, outside, name)
    done = panopipe(*_words(command, job, room))
    tally[f"links before {command}"] += 1
    _judge(outside, before, f"{command}, {name}", done.output, tally, examples)


def _while_running(
    room: Path, calm: Path, names: list[str], chance: random.Random, tally: Counter[str], examples: list[str]
) -> None:
    """Swap folders for links and back, as fast as it goes, while a run writes."""
    job, outside, before = _fresh(room, calm)
    shutil.rmtree(job / "finished")
    folders = [name for name in names if (calm / name).is_dir()]
    ended = threading.Event()

    def swap() -> None:
        while not ended.is_set():
            name = chance.choice(folders)
            place, aside = job / name, job / f"{name}-aside"
            try:
                place.rename(aside)
                place.symlink_to(outside)
                place.unlink()
                aside.rename(place)
            except OSError:
                continue

    swapping = threading.Thread(target=swap)
    swapping.start()
    done = panopipe("run", job)
    ended.set()
    swapping.join()
    tally["links during run"] += 1
    _judge(outside, before, "during run", done.output, tally, examples)


def _fresh(room: Path, calm: Path) -> tuple[Path, Path, dict[str, str]]:
    job, outside = room / "job", room / "outside"
    for folder in (job, outside):
        shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(calm, job)
    shutil.copytree(calm, outside / "twin", ignore=shutil.ignore_patterns("originals"))
    for name in ("theirs.jpg", "0123456789ab.jpg", ".0123456789abcdef.part", "lock", "1.js"):
        (outside / name).write_bytes(b"theirs")
    (outside / "room-01").mkdir()
    (outside / "room-01/r01-01.jpg").write_bytes(b"theirs")
    return job, outside, _state(outside)


def _link(job: Path, outside: Path, name: str) -> None:
    place = job / name
    target = outside / "twin" / name
    if place.is_dir():
        shutil.rmtree(place)
    else:
        place.unlink()
    place.symlink_to(target)


def _words(command: str, job: Path, room: Path) -> list[object]:
    if command == "set":
        return ["set", job, "room-01", "tone.shadows_ev=1"]
    if command == "intake":
        return ["intake", room / "calm/originals/room-01", job]
    return [command, job]


def _state(folder: Path) -> dict[str, str]:
    return hashes(folder) | {
        path.relative_to(folder).as_posix(): "" for path in folder.rglob("*") if path.is_dir()
    }


def _judge(
    outside: Path, before: dict[str, str], what: str, output: str, tally: Counter[str], examples: list[str]
) -> None:
    after = _state(outside)
    changed = {name for name in before.keys() | after.keys() if before.get(name) != after.get(name)}
    tally["written or removed outside"] += len(changed)
    print(dict(tally), file=sys.stderr, flush=True)
    tally["tracebacks"] += "Traceback" in output or "fault of its own" in output
    if changed:
        examples.append(f"example: {what}: {sorted(changed)[:3]}")
    if "fault of its own" in output:
        examples.append(f"example: {what}: {output[-200:]!r}")
