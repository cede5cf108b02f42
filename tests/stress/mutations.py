"""Inputs from a stranger: damaged frames, recipes, job files. Each ends in a clear line or a good output."""

from __future__ import annotations

import io
import json
import random
import re
import resource
import shutil
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Literal

import imagecodecs
import numpy as np
from PIL import Image

from panopipe.errors import JobError
from panopipe.job import open_job
from panopipe.recipe import load_recipe
from tests.makers.dng import Shot, write_linear_dng
from tests.stress.jobs import hashes, panopipe, room_samples

BATCH = 100
"""Frames of one job."""
_LIMIT_MIN = 0.5
"""Longest that a frame of a few pixels may take before it counts as hung."""


def mutate_all(room: Path, count: int, seed: int = 1) -> list[str]:
    """Run `count` damaged frames and as many damaged texts; return the lines of the table."""
    tally: Counter[str] = Counter()
    examples: dict[str, str] = {}
    _frames(room, count // 2, random.Random(seed), tally, examples)
    _texts(room, count - count // 2, random.Random(seed + 1), tally, examples)
    largest = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss // 1024
    tally["MB of the largest process"] = largest
    lines = [f"{name:34} {number:6}" for name, number in tally.items()]
    return lines + [f"example: {name}: {text}" for name, text in examples.items()]


def _frames(
    room: Path, count: int, chance: random.Random, tally: Counter[str], examples: dict[str, str]
) -> None:
    good = _good_frames(room / "good")
    for batch in range(0, count, BATCH):
        job = room / "job"
        shutil.rmtree(job, ignore_errors=True)
        folder = job / "originals/room"
        folder.mkdir(parents=True)
        for number in range(min(BATCH, count - batch)):
            source = chance.choice(good)
            data = damaged(source.read_bytes(), chance)
            _put(folder, f"m{number:03d}{chance.choice(_ENDS)}{source.suffix}", data, chance)
        if chance.random() < 0.7:  # most of them without the slow stages: it is the readers that are tried
            (job / "recipe.toml").write_text('[pipeline]\norder = ["decode", "export"]\n')
        before, outside = hashes(job / "originals"), hashes(room / "good")
        done = panopipe("run", job, "--no-review", "--json", "--longest-min", _LIMIT_MIN, limit_s=3600)
        _judge(job, done.code, done.output, tally, examples)
        print(dict(tally), file=sys.stderr, flush=True)
        tally["frames whose original changed"] += hashes(job / "originals") != before
        tally["files outside the job"] += len(set(room.iterdir()) - {job, room / "good"})
        tally["files outside the job"] += hashes(room / "good") != outside


_ENDS = ("",) * 20 + ("-caf\u00e9", "-cafe\u0301", "\udcff", "\x1b[31m", "x" * 200, " .", "-A", "'\"$`")
"""What names end in: mostly nothing; accents in two forms, no UTF-8, controls, much, quotes."""


def _put(folder: Path, name: str, data: bytes, chance: random.Random) -> None:
    """Write a frame, now and then as a link to it, in the job or out of it."""
    if chance.random() > 0.03:
        (folder / name).write_bytes(data)
        return
    target = folder.parent / "aside" if chance.random() < 0.5 else folder.parents[2] / "good/plain.dng"
    if target.name == "aside":
        target.mkdir(exist_ok=True)
        target = target / "x.bin"
        target.write_bytes(data)
    (folder / name).symlink_to(target)


def _judge(job: Path, code: int, output: str, tally: Counter[str], examples: dict[str, str]) -> None:
    tally["runs with a traceback"] += "Traceback" in output
    start = output.find("\n{\n") + 1 if not output.startswith("{") else 0
    try:
        result = json.loads(output[start:])
    except ValueError:
        tally["runs without a result"] += 1
        examples.setdefault(f"run without a result, code {code}", output[-300:])
        return
    for key in result["finished"]:
        tally["frames finished"] += 1
        path = job / f"finished/{key}.jpg"
        picture = imagecodecs.jpeg_decode(path.read_bytes())
        tally["finished frames that are no sphere"] += picture.shape[1] != 2 * picture.shape[0]
    for key, why in result["failed"].items():
        tally["frames failed with one line"] += "\n" not in why
        tally["frames failed with many lines"] += "\n" in why
        for kind, words in (("hung", "took longer"), ("native crash", "died"), ("fault", "fault of its own")):
            if words in why:
                tally[f"frames failed: {kind}"] += 1
                examples.setdefault(f"{kind}: {re.sub('[0-9]+', 'N', why)[:70]}", f"{key} {why[:160]}")
    told = len(result["finished"]) + len(result["failed"])
    tally["frames not told"] += len(list((job / "originals/room").iterdir())) - told


def _good_frames(folder: Path) -> list[Path]:
    """Frames of every form, whole."""
    folder.mkdir(parents=True)
    samples = room_samples(64, 1)
    forms: dict[str, dict[str, object]] = {
        "plain": {},
        "tiled": {"tile": (16, 16), "compression": "ljpeg"},
        "ljpeg": {"compression": "ljpeg"},
        "deflate": {"compression": "deflate", "predictor": 2},
        "big": {"big_endian": True, "rows_per_strip": 5},
        "thumb": {"thumbnail": True, "shot": Shot()},
        "jpegxl": {"compression": "jpegxl"},
    }
    for name, form in forms.items():
        write_linear_dng(folder / f"{name}.dng", samples, **form)  # type: ignore[arg-type]
    eight = (samples >> 8).astype(np.uint8)
    write_linear_dng(folder / "lossy.dng", eight, compression="jpeg")
    write_linear_dng(
        folder / "float.dng", (samples / 65535).astype(np.float16), compression="deflate", predictor=3
    )
    for name in ("frame.jpg", "frame.png"):
        held = io.BytesIO()
        Image.fromarray(eight).save(held, {"jpg": "JPEG", "png": "PNG"}[name[-3:]])
        (folder / name).write_bytes(held.getvalue())
    Image.fromarray(eight).save(folder / "frame.tif")
    (folder / "deep.png").write_bytes(imagecodecs.png_encode(samples))
    return sorted(folder.iterdir())


def damaged(data: bytes, chance: random.Random) -> bytes:
    """One to three ways of damage, half of them near the head, where the sizes stand."""
    held = bytearray(data)
    for _ in range(chance.choices([1, 2, 3], [6, 3, 1])[0]):
        chance.choice(_DAMAGES)(held, chance)
    return bytes(held)


def _place(held: bytearray, chance: random.Random) -> int:
    near = chance.random() < 0.5
    return chance.randrange(max(1, min(len(held), 1200) if near else len(held)))


def _flip(held: bytearray, chance: random.Random) -> None:
    for _ in range(chance.randint(1, 8)):
        if held:
            held[_place(held, chance)] ^= 1 << chance.randrange(8)


def _huge(held: bytearray, chance: random.Random) -> None:
    at = _place(held, chance) & ~1
    value = chance.choice([0, 1, 2**31 - 1, 2**32 - 1, 2**16, 65535, chance.getrandbits(32)])
    held[at : at + 4] = value.to_bytes(4, chance.choice(["little", "big"]))


def _cut(held: bytearray, chance: random.Random) -> None:
    del held[chance.randrange(len(held) + 1) :]


def _drop(held: bytearray, chance: random.Random) -> None:
    at = _place(held, chance)
    del held[at : at + chance.randint(1, 64)]


def _noise(held: bytearray, chance: random.Random) -> None:
    at = _place(held, chance)
    held[at : at + chance.randint(1, 200)] = chance.randbytes(chance.randint(1, 200))


def _twice(held: bytearray, chance: random.Random) -> None:
    at = _place(held, chance)
    held[at:at] = held[: chance.randint(1, 400)]


def _hole(held: bytearray, chance: random.Random) -> None:
    at = chance.randrange(max(1, len(held)))
    size = chance.choice([16, 512, 4096])
    held[at : at + size] = chance.choice([b"\0", b"\xff"]) * len(held[at : at + size])


def _ring(held: bytearray, chance: random.Random) -> None:
    """Let the directory that a TIFF begins with lead to itself, or to anywhere."""
    order: Literal["little", "big"] = "big" if held[:2] == b"MM" else "little"
    start = int.from_bytes(held[4:8], order)
    if held[:2] not in (b"II", b"MM") or start + 2 > len(held):
        return
    behind = start + 2 + 12 * int.from_bytes(held[start : start + 2], order)
    goal = chance.choice([start, 8, chance.randrange(len(held))])
    held[behind : behind + 4] = goal.to_bytes(4, order)


_DAMAGES: tuple[Callable[[bytearray, random.Random], None], ...] = (_flip, _huge, _cut, _drop, _noise, _twice,
    _hole, _ring,
)  # fmt: skip

_WORDS = """[pipeline]|order = ["decode", "tone", "vibrance", "balance", "nadir", "export"]|[tone]
exposure_ev = 0.3|shadows_ev = "auto"|[nadir]|patch_picture = "../../x.png"|patch_picture = "/etc/passwd"
[export]|widths = [4096, 2048]|quality = 90|use = false|title = "x"|white_reference = "room/m1"|[rights]
creator = "A"|[rooms]|hall = ["m*"]|"../up" = ["m1"]|[[tone]]|tone.exposure_ev = 1|x = 1979-05-27|n = nan
a = {b = {c = [1, [2, [3]]]}}|i = inf|key = '''|"quoted key" = 1|order = []|order = ["export", "decode"]
\u0000 = 1|[tone.deeper]|use = "no\""""


def _texts(
    room: Path, count: int, chance: random.Random, tally: Counter[str], examples: dict[str, str]
) -> None:
    """Damaged recipes and job files, read in this process: any fault but a told one is an error."""
    words = [word for line in _WORDS.splitlines() for word in line.split("|")]
    job = room / "texts"
    shutil.rmtree(job, ignore_errors=True)
    for name in ("room/m1", "room/m2"):
        path = job / f"originals/{name}.dng"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"")
    (job / "overrides/room").mkdir(parents=True)
    places = ("job.toml", "recipe.toml", "overrides/room.toml", "overrides/room/m1.toml")
    for _ in range(count):
        text = "\n".join(chance.choices(words, k=chance.randint(1, 6))).encode()
        data = text if chance.random() < 0.4 else damaged(text, chance)
        path = job / chance.choice(places)
        path.write_bytes(data)
        try:
            reader = open_job(job)
            recipe = load_recipe(reader)
            for key in reader.frames:
                recipe.settings(key)
            tally["texts taken as right"] += 1
        except JobError as error:
            told = [str(fault) for fault in error.faults]
            tally["texts refused with clear lines"] += all(line and "\n" not in line for line in told)
        except Exception as error:
            tally["texts that broke panopipe"] += 1
            examples.setdefault(f"text: {type(error).__name__}", f"{error} for {data[:200]!r}")
        finally:
            path.unlink()
    left = {path.name for path in job.iterdir()} - {"originals", "overrides"}
    tally["files outside the job"] += len(left)
