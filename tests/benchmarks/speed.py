"""What a finished frame costs, as ratios measured in one run: `python -m tests.benchmarks.speed`.

Every figure comes from a process of its own, with one thread. Beside panopipe stand: the floor (decode of
the same DNG by the raw library, and encode of the finished picture), a lower floor (samples read directly
instead), the job as a practitioner would script it twice (`tests/benchmarks/plain/`), and a plain copy of the
frame in memory, so that machines can be compared. `--large` adds the 71.6 megapixel frame, `--plain` the
scripts, `--job` a job of several frames with one worker and two, and its proofs. `--write FILE` keeps the
tables.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np

SMALL, LARGE = 6144, 11968
"""Widths of frames of 18.9 and 71.6 megapixels."""
BLACK, WHITE = 1024, 65535

_ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")


# ---- the frames


def make_frame(path: Path, width: int, *, seed: int = 0, compression: str = "none") -> None:
    """Write a linear DNG of a made room: real edges and shading, clipped lamps, and grain at every pixel."""
    from tests.makers.camera import as_shot_neutral, camera_from_recorded
    from tests.makers.dng import CAMERA_A, CAMERA_D65, write_linear_dng

    scenes = _scenes()
    rows = np.roll(scenes[seed % len(scenes)].rows, 131 * seed, axis=1)
    camera = np.clip(camera_from_recorded(rows, 0), 0, 1).astype(np.float32)
    big = cv2.resize(camera, (width, width // 2), interpolation=cv2.INTER_CUBIC)
    random = np.random.default_rng(seed)
    samples = np.empty(big.shape, np.uint16)
    for top in range(0, len(big), 256):
        band = np.clip(big[top : top + 256], 0, 1)
        grain = np.sqrt(band / 30000 + 1e-7) * random.standard_normal(band.shape, dtype=np.float32)
        samples[top : top + 256] = np.clip(BLACK + (WHITE - BLACK) * (band + grain), 0, WHITE)
    form: dict[str, Any] = {"tile": (512, 512)} if compression != "none" else {}
    form |= {"color_matrix_1": CAMERA_A, "illuminant_1": 17, "color_matrix_2": CAMERA_D65, "illuminant_2": 21}
    form |= {"as_shot_neutral": as_shot_neutral()}
    write_linear_dng(path, samples, black=BLACK, white=WHITE, compression=compression, **form)


@cache
def _scenes() -> list[Any]:
    from tests.benchmarks.tone_scenes import made_scenes

    return made_scenes(1024)


# ---- what is measured, each in a process of its own


def finish(dng: Path) -> dict[str, Any]:
    """Let panopipe finish one frame in this process: open, reduce, survey, solve, learn, stream, encode."""
    from panopipe.frame import Frame, FrameKey
    from panopipe.run.engine import finish_frame, reductions
    from panopipe.run.passage import Given
    from panopipe.run.steps import Step, Watch
    from panopipe.stage import DEFAULT_ORDER, JobFacts, Observed, stage

    steps = [Step(made, made.Settings()) for made in map(stage, DEFAULT_ORDER)]
    watch, key = Watch(), FrameKey("room", "frame")
    start = time.process_time()
    with watch.on("decode"):
        opened = steps[0].stage.open([dng], key, steps[0].settings)
    with opened:
        reduced = reductions(opened, source="decode", watch=watch).reduced
        solutions = {}
        with watch.on("survey of all stages"):
            for step in (step for step in steps if step.stage.surveys):
                seen = step.stage.survey(Frame(reduced.copy(), opened.facts), step.settings)
                observed = {key: Observed(seen, step.settings, opened.facts)}
                solutions[step.name] = step.stage.solve(observed, JobFacts({key.room: [key]}))[key]
        done = finish_frame(opened, steps, given=Given(solutions), reduced=reduced, watch=watch)
    seconds = time.process_time() - start
    dng.with_suffix(".jpg").write_bytes(done.outputs[0].data)
    return {"seconds": seconds, "stages": done.stage_seconds, "bytes": len(done.outputs[0].data)}


def encoded(dng: Path) -> float:
    """Seconds of CPU to encode the finished picture again, in one go."""
    picture = cv2.imread(str(dng.with_suffix(".jpg")))
    start = time.process_time()
    cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 94, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, 0x111111])
    return time.process_time() - start


def raw_floor(dng: Path) -> dict[str, Any]:
    """Decode by the raw library to 16-bit linear light, and encode the finished picture by OpenCV."""
    import rawpy

    start = time.process_time()
    with rawpy.imread(str(dng)) as raw:
        raw.postprocess(
            output_bps=16, gamma=(1, 1), no_auto_bright=True, adjust_maximum_thr=0, use_camera_wb=True
        )
    stages = {"decode": time.process_time() - start, "encode": encoded(dng)}
    return {"seconds": sum(stages.values()), "stages": stages}


def own_floor(dng: Path) -> dict[str, Any]:
    """Read the samples directly, and encode the finished picture by OpenCV."""
    import tifffile

    start = time.process_time()
    np.array(tifffile.memmap(dng, mode="r"))
    stages = {"decode": time.process_time() - start, "encode": encoded(dng)}
    return {"seconds": sum(stages.values()), "stages": stages}


def copied(dng: Path) -> dict[str, Any]:
    """Copy the frame's light once, float32."""
    import tifffile

    light = np.ones(tifffile.memmap(dng, mode="r").shape, np.float32)
    other = np.ones_like(light)
    start = time.process_time()
    np.copyto(other, light)
    return {"seconds": time.process_time() - start}


def script(name: str, dng: Path) -> dict[str, Any]:
    """Run one of the practitioner's scripts."""
    from importlib import import_module

    from panopipe.light.curve import Moves

    made = import_module(f"tests.benchmarks.plain.{name}")
    facts = {
        "black": BLACK,
        "white": WHITE,
        "matrix": np.eye(3),  # what it holds costs nothing
        "moves": Moves(exposure_ev=0.8, highlights_ev=-1.5, shadows_ev=0.6, white_point_ev=3.0),
        "correction": np.diag([1.05, 1.0, 0.93]),
        "strength": 0.12,
    }
    start = time.process_time()
    made.finish(dng, dng.with_name(f"{name}.jpg"), facts)
    return {"seconds": time.process_time() - start}


def imports(_: Path) -> dict[str, Any]:
    """Load what finishing a frame loads, and no frame."""
    from panopipe.stage import DEFAULT_ORDER, stage

    for name in DEFAULT_ORDER:
        stage(name)
    import panopipe.run.engine  # noqa: F401

    return {"seconds": time.process_time()}


def first_frame(dng: Path) -> dict[str, Any]:
    """From the start of the interpreter to a frame that is open and its first rows decoded."""
    from panopipe.frame import FrameKey
    from panopipe.stage import stage

    decode = stage("decode")
    with decode.open([dng], FrameKey("room", "frame"), decode.Settings()) as opened:
        opened.read(0, 16)
    return {"seconds": time.process_time()}


PARTS: dict[str, Callable[[Path], dict[str, Any]]] = {
    "panopipe": finish,
    "raw library + encode": raw_floor,
    "own reader + encode": own_floor,
    "copy in memory": copied,
    "imports": imports,
    "first frame": first_frame,
    "plain OpenCV": lambda dng: script("opencv", dng),
    "plain scikit-image": lambda dng: script("scikit_image", dng),
}


def measured(part: str, dng: Path, runs: int = 3) -> dict[str, Any]:
    """Run a part in fresh processes; the run with the least CPU counts."""
    best: dict[str, Any] = {}
    for _ in range(runs):
        command = [sys.executable, "-m", "tests.benchmarks.speed", "--part", part, str(dng)]
        said = subprocess.run(
            command, env=os.environ | _ONE_THREAD, capture_output=True, text=True, check=True
        )
        found = json.loads(said.stdout.splitlines()[-1])
        if not best or found["seconds"] < best["seconds"]:
            best = found
    return best


def one_part(part: str, dng: Path) -> None:
    """Measure here and print as JSON."""
    cv2.setNumThreads(1)
    found = PARTS[part](dng)
    print(json.dumps(found | {"peak": _peak_bytes()}))


def _peak_bytes() -> int:
    """Largest resident memory of this process; not of the one that started it, which Linux counts too."""
    status = Path("/proc/self/status")
    if status.exists():
        line = next(line for line in status.read_text().splitlines() if line.startswith("VmHWM"))
        return int(line.split()[1]) * 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)


# ---- the tables


class Table:
    """Lines that are printed and kept."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    def __call__(self, *cells: object) -> None:
        """Add a row, the first cell to the left."""
        first, *rest = (f"{cell:.3g}" if isinstance(cell, float) else str(cell) for cell in cells)
        self.lines.append(f"| {first} | " + " | ".join(rest) + " |")
        print(f"{first:<34}" + "".join(f"{cell:>16}" for cell in rest), flush=True)

    def head(self, *cells: str) -> None:
        """Begin a table."""
        print()
        self.lines.append("")
        self(*cells)
        self.lines.append("|---|" + "---:|" * (len(cells) - 1))


def frame_table(table: Table, folder: Path, width: int, *, plain: bool) -> float:
    """Measure one size of frame; returns panopipe's CPU per megapixel."""
    megapixels = width * (width // 2) / 1e6
    dng = folder / f"frame-{width}.dng"
    make_frame(dng, width)
    base = measured("imports", dng, 1)["peak"]
    names = ["panopipe", "raw library + encode", "own reader + encode", "copy in memory"]
    names += ["plain OpenCV", "plain scikit-image"] if plain else []
    found = {name: measured(name, dng, 1 if name.startswith("plain") else 3) for name in names}
    ours = found["panopipe"]
    table.head(
        f"{megapixels:.1f} megapixels",
        "CPU ms/MP",
        "peak bytes/px",
        "panopipe / this",
        "memory: this / panopipe",
    )
    our_bytes = (ours["peak"] - base) / megapixels / 1e6
    for name, it in found.items():
        held = (it["peak"] - base) / megapixels / 1e6
        table(
            name,
            f"{it['seconds'] * 1e3 / megapixels:.2f}",
            f"{held:.1f}",
            f"{ours['seconds'] / it['seconds']:.2f}",
            f"{held / our_bytes:.1f}",
        )
    floor = found["raw library + encode"]["seconds"]
    table.head(f"by stage, {megapixels:.1f} megapixels", "CPU ms/MP", "share", "of raw + encode")
    for name, seconds in ours["stages"].items():
        share = f"{seconds / ours['seconds']:.0%}"
        table(name, f"{seconds * 1e3 / megapixels:.2f}", share, f"{seconds / floor:.2f}")
    table.head("start", "CPU s")
    table("panopipe --help", min(command("--help") for _ in range(3))[0])
    table("to the first rows of a frame decoded", measured("first frame", dng)["seconds"])
    for path in (dng, dng.with_suffix(".jpg")):
        path.unlink()
    return float(ours["seconds"] * 1e3 / megapixels)


def command(*words: str) -> tuple[float, float]:
    """Run the command line; CPU and wall seconds of all its processes."""
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(
        [sys.executable, "-m", "panopipe", *words],
        env=os.environ | _ONE_THREAD,
        capture_output=True,
        check=True,
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, time.perf_counter() - start


def job_table(table: Table, folder: Path, frames: int) -> None:
    """Measure a whole job: one worker, two, and the proofs."""
    job = folder / "job"
    (job / "originals" / "hall").mkdir(parents=True)
    for number in range(frames):
        make_frame(job / "originals" / "hall" / f"hall-{number:02d}.dng", SMALL, seed=number)
    took = {}
    for workers in (1, 2):
        for made in ("finished", ".panopipe", "logs", "review"):
            shutil.rmtree(job / made, ignore_errors=True)
        took[workers] = command("run", str(job), "--workers", str(workers), "--no-review")
    proof = command("proof", str(job), "--workers", "1")
    table.head(f"a job of {frames} frames of 18.9 megapixels", "figure")
    table("run, one worker: CPU ms/MP", f"{took[1][0] * 1e3 / frames / 18.87:.1f}")
    table("two workers against one, frames per minute", f"{took[1][1] / took[2][1]:.2f}")
    table("proofs against the run, CPU", f"{proof[0] / took[1][0]:.2f}")


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.speed", description=__doc__)
    parser.add_argument("--part", nargs=2, metavar=("NAME", "DNG"), help=argparse.SUPPRESS)
    parser.add_argument("--large", action="store_true", help="also a frame of 71.6 megapixels")
    parser.add_argument("--plain", action="store_true", help="also the practitioner's scripts")
    parser.add_argument("--job", type=int, default=0, metavar="FRAMES", help="also a job of so many frames")
    parser.add_argument("--write", type=Path, help="keep the tables in this file, as Markdown")
    said = parser.parse_args(arguments)
    if said.part:
        one_part(said.part[0], Path(said.part[1]))
        return
    table = Table()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        small = frame_table(table, folder, SMALL, plain=said.plain)
        if said.large:
            large = frame_table(table, folder, LARGE, plain=False)
            table.head("cost per megapixel", "ratio")
            table("71.6 against 18.9 megapixels", f"{large / small:.2f}")
        if said.job:
            job_table(table, folder, said.job)
    if said.write:
        said.write.write_text("\n".join(table.lines).strip() + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
