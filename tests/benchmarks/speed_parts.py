"""The parts that `speed.py` measures, each in a process of its own with one thread, and their frames."""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from panopipe.pool.machine import keep_freed_memory

BLACK, WHITE = 1024, 65535
ROOMS = 2
"""Rooms that the frames show, in turn; each is drawn once."""

_ENVIRONMENT = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
_ENVIRONMENT |= dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
"""One thread, and compiled modules kept as on a user's machine: else each process compiles for .2 to .4 s."""
_COUNT = "import time; s = time.perf_counter(); sum(range({})); print(time.perf_counter() - s)"
"""Work for a processor that touches no memory to speak of."""


# ---- the frames


def make_frame(path: Path, width: int, *, seed: int = 0, compression: str = "none") -> None:
    """Write a linear DNG of a made room: real edges and shading, clipped lamps, and grain at every pixel."""
    from tests.makers.camera import as_shot_neutral, camera_from_recorded
    from tests.makers.dng import CAMERA_A, CAMERA_D65, write_linear_dng

    rows = np.roll(_scene(seed % ROOMS), 131 * seed, axis=1)
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
def _scene(number: int) -> Any:
    from tests.benchmarks.tone_scenes import PLACES, photographed

    return photographed(list(PLACES)[number], 1024).rows


# ---- what is measured


def finish(dng: Path) -> dict[str, Any]:
    """Let panopipe finish one frame in this process: open, reduce, survey, solve, prepare, stream, encode.

    As in a worker of a run, the frame is opened to be looked at, and again to be finished with what was found
    then, and freed memory stays with the process.
    """
    from panopipe.frame import Frame, FrameKey
    from panopipe.pipeline.engine import finish_frame, reductions
    from panopipe.pipeline.frame_pipeline import StageInputs
    from panopipe.pipeline.steps import StageTimer, Step
    from panopipe.registry import DEFAULT_ORDER, loaded_stage
    from panopipe.stage import JobFacts, Observation

    keep_freed_memory()
    steps = [Step(made, made.Settings()) for made in map(loaded_stage, DEFAULT_ORDER)]
    timer, key = StageTimer(), FrameKey("room", "frame")
    start = time.process_time()

    def opened_frame(found: Any = None) -> Any:
        with timer.on("decode"):
            return steps[0].stage.open([dng], key, steps[0].settings, found)

    with opened_frame() as reader:
        reduced, found = reductions(reader, source="decode", timer=timer).reduced, reader.probed
        solutions = {}
        with timer.on("survey of all stages"):
            for step in (step for step in steps if step.stage.surveys):
                seen = step.stage.survey(Frame(reduced.copy(), reader.facts), step.settings)
                observed = {key: Observation(seen, step.settings, reader.facts)}
                solutions[step.name] = step.stage.solve(observed, JobFacts({key.room: [key]}))[key]
    with opened_frame(found) as reader:
        done = finish_frame(reader, steps, inputs=StageInputs(solutions), reduced=reduced, timer=timer)
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
    return {"seconds": time.process_time() - start + encoded(dng)}


def raw_floor_kept(dng: Path) -> dict[str, Any]:
    """Do the same in a process that keeps freed memory, as a worker of panopipe does."""
    keep_freed_memory()
    return raw_floor(dng)


def own_floor(dng: Path) -> dict[str, Any]:
    """Read the samples directly, and encode the finished picture by OpenCV."""
    import tifffile

    start = time.process_time()
    np.array(tifffile.memmap(dng, mode="r"))
    return {"seconds": time.process_time() - start + encoded(dng)}


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
    from panopipe.studies.light.curve import Moves

    made = import_module(f"tests.benchmarks.plain.{name}")
    facts = {
        "black": BLACK,
        "white": WHITE,
        "matrix": np.eye(3),  # what it holds costs nothing
        "moves": Moves(exposure_ev=0.8, highlights_ev=-1.5, shadows_ev=0.6, shoulder_ev=3.0),
        "correction": np.diag([1.05, 1.0, 0.93]),
        "strength": 0.12,
    }
    start = time.process_time()
    made.finish(dng, dng.with_name(f"{name}.jpg"), facts)
    return {"seconds": time.process_time() - start}


def imports(_: Path) -> dict[str, Any]:
    """Load what finishing a frame loads, and no frame."""
    from panopipe.registry import DEFAULT_ORDER, loaded_stage

    for name in DEFAULT_ORDER:
        loaded_stage(name)
    import panopipe.run.work  # noqa: F401

    return {"seconds": time.process_time()}


def first_frame(dng: Path) -> dict[str, Any]:
    """From the start of the interpreter to a frame that is open and its first rows decoded."""
    from panopipe.frame import FrameKey
    from panopipe.registry import loaded_stage

    decode = loaded_stage("decode")
    with decode.open([dng], FrameKey("room", "frame"), decode.Settings()) as reader:
        reader.read(0, 16)
    return {"seconds": time.process_time()}


PARTS: dict[str, Callable[[Path], dict[str, Any]]] = {
    "panopipe": finish,
    "raw library + encode": raw_floor,
    "the same, freed memory kept": raw_floor_kept,
    "own reader + encode": own_floor,
    "copy in memory": copied,
    "imports": imports,
    "first frame": first_frame,
    "plain OpenCV, float32": lambda dng: script("opencv", dng),
    "plain scikit-image, float64": lambda dng: script("scikit_image", dng),
}
START = ("imports", "first frame")
"""Parts that measure a process from its start."""


# ---- how


def measured(part: str, dng: Path, runs: int = 3) -> dict[str, Any]:
    """Run a part in fresh processes; the run with the least CPU counts."""
    best: dict[str, Any] = {}
    for _ in range(runs):
        words = [sys.executable, "-m", "tests.benchmarks.speed_parts", part, str(dng)]
        said = subprocess.run(words, env=_ENVIRONMENT, capture_output=True, text=True, check=True)
        found = json.loads(said.stdout.splitlines()[-1])
        if not best or found["seconds"] < best["seconds"]:
            best = found
    return best


def command(*words: str) -> tuple[float, float]:
    """Run the command line; CPU and wall seconds of all its processes."""
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(
        [sys.executable, "-m", "panopipe", *words],
        env=_ENVIRONMENT,
        capture_output=True,
        check=True,
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, time.perf_counter() - start


def two_at_once(count: int = 60_000_000) -> float:
    """How many times the work of one process two get done at once, where nothing but counting is done."""

    def seconds(processes: int) -> float:
        words = [sys.executable, "-c", _COUNT.format(count)]
        started = [subprocess.Popen(words, stdout=subprocess.PIPE, text=True) for _ in range(processes)]
        return max(float(one.communicate()[0]) for one in started)

    return 2 * min(seconds(1) for _ in range(3)) / min(seconds(2) for _ in range(3))


def _peak_bytes() -> int:
    """Largest resident memory of this process; not of the one that started it, which Linux counts too."""
    status = Path("/proc/self/status")
    if status.exists():
        line = next(line for line in status.read_text().splitlines() if line.startswith("VmHWM"))
        return int(line.split()[1]) * 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)


def main(part: str, dng: Path) -> None:
    """Measure here and print as JSON.

    As in a worker that finishes frame after frame the second of two frames counts: to be handed its memory
    for the first time costs a process more than to use it.
    """
    cv2.setNumThreads(1)
    for _ in range(1 if part in START else 2):
        found = PARTS[part](dng)
    print(json.dumps(found | {"peak": _peak_bytes()}))


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]))
