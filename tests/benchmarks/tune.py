"""Tuning: how soon a change shows, by setting; how true the small picture is; what a large frame takes.

Run ``python -m tests.benchmarks.tune sample_job`` from the top of the clone (a copy of the job is worked on);
``--widths 1536 2048``, ``--repeats 5``, ``--frame ROOM/FRAME``. Milliseconds are CPU of the one thread that
makes pictures: the wall has as many on a machine that does nothing else. *Shown* is the picture that comes
first, *exact* what follows where something was carried; *cold* is the first change of a setting, *clock* what
passes until the picture shows, beside whatever else the machine does.

``--truth`` compares with the finished file reduced to that width: the first picture of a frame, the one that
comes at once when it was worked on at full size, and that one, which follows at rest. With ``--frame`` it
goes on to what comes at once after a change of each kind of setting, against the same worked on at full size,
also without what lies more than 60 degrees down: there a floor may be rebuilt otherwise in other light.
``--memory`` tells what tuning takes of 72 megapixels.
"""

from __future__ import annotations

import argparse
import os
import shutil
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from panopipe.colour.transfer import srgb_decode, srgb_encode
from panopipe.frame import FrameKey
from panopipe.job import Job, open_job
from panopipe.pipeline.engine import reduce_rows
from panopipe.pool.machine import peak_memory, reset_peak_memory
from panopipe.recipe import load_recipe
from panopipe.run.job_run import Options, look_at_job, run_job
from panopipe.setting import AUTO
from panopipe.sphere.geometry import pixel_solid_angle
from panopipe.tune.bench import Bench
from panopipe.tune.controls import controls
from panopipe.tune.draft import tried
from panopipe.tune.loupe import Loupe, Spot
from tests.benchmarks.decode import room
from tests.makers.dng import write_linear_dng


def others(control: Mapping[str, Any], value: Any) -> Iterator[Any]:
    """Values beside one, as a hand would try them; none where a hand has to know a file or words."""
    kind, low, high = (control.get(name) for name in ("kind", "low", "high"))
    if kind in ("number", "whole") and low is not None and high is not None:
        held = (low + high) / 2 if value == AUTO else value
        for share in (0.02, 0.03, 0.04, 0.05, 0.06):
            step = share * (high - low)
            tried_value = held + step if held + step <= high else held - step
            yield round(tried_value) if kind == "whole" else round(tried_value, 4)
    elif kind == "switch":
        yield not value
    elif kind == "choice":
        yield from (word for word in control["choices"] if word not in (value, "picture"))
    elif kind == "wholes":
        yield [1024]


PAIRS = {
    "balance.neutral_yaw_deg": {"balance.neutral_pitch_deg": 0.0},
    "balance.neutral_pitch_deg": {"balance.neutral_yaw_deg": 0.0},
}
"""Settings that need another beside them."""


class Timed:
    """Pictures of one frame, timed."""

    def __init__(self, bench: Bench, key: FrameKey, width: int) -> None:
        self.bench, self.key, self.width = bench, key, width

    def show(self, draft: Mapping[str, Any], *, quick: bool) -> tuple[Any, bool]:
        """Milliseconds of CPU and by the clock, and whether the picture was exact."""
        started = np.array([time.process_time(), time.perf_counter()])
        settings = tried(self.bench.job, self.bench.recipe, self.key, draft)
        frame = self.bench.tried(self.key, settings, quick=quick)
        shown = self.bench.show(frame, self.width, quick=quick)
        return 1e3 * (np.array([time.process_time(), time.perf_counter()]) - started), shown.exact

    def change(self, draft: Mapping[str, Any]) -> Any:
        """CPU until a change shows, until it is exact, and the clock until it shows, from what files say."""
        self.show({}, quick=False)
        first, exact = self.show(draft, quick=True)
        whole = first[0] + (0 if exact else self.show(draft, quick=False)[0][0])
        return first[0], whole, first[1]


def table(bench: Bench, key: FrameKey, width: int, repeats: int) -> None:
    timed, settings = Timed(bench, key, width), bench.recipe.settings(key)
    cold, _ = timed.show({}, quick=False)
    load = os.getloadavg()[0]
    print(f"\n{key} at {width}, beside a load of {load:.1f}: the first picture took {cold[0]:.0f} ms of CPU")
    print(
        f"{'setting':32}{'cold':>8}{'shown':>8}{'95th':>8}{'exact':>8}{'95th':>8}{'clock':>8}{'95th':>8}   ms"
    )
    rows = []
    left_out = []
    for stage in controls(settings):
        for control in stage["settings"]:
            setting = f"{stage['name']}.{control['key']}"
            values = list(others(control, settings.values[stage["name"]][control["key"]].value))
            if not values:
                left_out.append(setting)
                continue
            drafts = [
                {setting: values[turn % len(values)], **PAIRS.get(setting, {})} for turn in range(repeats)
            ]
            taken = np.array([timed.change(draft) for draft in drafts])
            figures = [f(taken[:, place]) for place in range(3) for f in (np.median, _95th)]
            rows.append((taken[0, 0], *figures))
            print(f"{setting:32}" + "".join(f"{figure:8.0f}" for figure in rows[-1]), flush=True)
    for what, over in (("median over all settings", np.median), ("95th over all settings", _95th)):
        cells = (over([row[place] for row in rows]) for place in (0, 1, 3, 5))
        print(f"{what:32}" + "{:8.0f}{:8.0f}{:16.0f}{:16.0f}".format(*cells))
    print(f"left out, as a hand has to know words for them: {', '.join(left_out) or 'none'}")
    print(f"beside a load of {os.getloadavg()[0]:.1f} at the end")


def _95th(values: Any) -> float:
    return float(np.percentile(values, 95))


CHANGES: tuple[dict[str, Any], ...] = (
    {"tone.exposure_ev": 0.5},
    {"tone.shadows_ev": 1.0},
    {"tone.highlights_ev": -1.0},
    {"vibrance.dull_chroma_percent": 20.0},
    {"balance.kelvin": 3500},
    {"balance.strength": 0.5},
    {"light.use": False},
    {"nadir.margin_deg": 1.0},
    {"sharpen.mtf50_percent": 60.0},
    {"level.tilt_deg": 2.0},
)
"""One of each kind of setting, as a hand would try it."""


def truth(folder: Path, bench: Bench, keys: Sequence[FrameKey], widths: list[int], *, changes: bool) -> None:
    job = open_job(folder)
    run_job(job, load_recipe(job), Options(only=keys, workers=1))
    print(f"\n{'against the finished file reduced, codes':40}{'first:':>25}{'then:':>25}{'at rest:':>25}")
    print(f"{'':40}" + f"{'mean':>9}{'99th':>8}{'sphere':>8}" * 3)
    print("(mean and 99th percentile of the file's pixels; 99th of the sphere, rows weighted by solid angle)")
    for width in widths:
        loupe = Loupe(bench, width)
        for key in keys:
            whole = cv2.imread(str(folder / f"finished/{key}.jpg"))
            if width >= whole.shape[1]:
                continue
            frame = bench.tried(key, bench.recipe.settings(key))
            reduced = reduced_codes(whole, width)
            first = decoded(bench.show(frame, width).outputs[0].data)
            at_rest = reduced_codes(decoded(loupe.whole(frame, lambda: True).data), width)
            then = decoded(bench.show(frame, width, quick=True).outputs[0].data)
            figures = [_figures(shown, reduced) for shown in (first, then, at_rest)]
            print(f"{f'{key}, {whole.shape[1]} to {width}':40}" + "".join(figures), flush=True)
            if changes:
                after_changes(job, bench, loupe, key, width)
        loupe.close()


def after_changes(job: Job, bench: Bench, loupe: Loupe, key: FrameKey, width: int) -> None:
    """What comes at once after a change of what was worked on at full size."""
    print(f"\n{f'at once after a change, {width} wide':40}{'whole:':>25}{'to 60 degrees down:':>25}")
    kept = bench.tried(key, bench.recipe.settings(key))
    for draft in CHANGES:
        bench.show(kept, width)
        settings = tried(job, bench.recipe, key, draft)
        shown = bench.show(bench.tried(key, settings, quick=True), width, quick=True)
        at_once = decoded(shown.outputs[0].data)
        frame = bench.tried(key, settings)
        reduced = reduced_codes(decoded(loupe.whole(frame, lambda: True).data), width)
        rows = slice(0, width * 5 // 12)
        words = " ".join(f"{name}={value}" for name, value in draft.items())
        print(f"{words:40}" + _figures(at_once, reduced) + _figures(at_once[rows], reduced[rows]), flush=True)
        loupe.whole(kept, lambda: True)


def _figures(shown: Any, reduced: Any) -> str:
    off = np.abs(shown.astype(np.float32) - reduced)
    return f"{off.mean():9.2f}{np.percentile(off, 99):8.1f}{_99th_of_sphere(off):8.1f}"


def _99th_of_sphere(off: Any) -> float:
    """99th percentile, each row weighted by the solid angle of its pixels."""
    weights = pixel_solid_angle(off.shape[1] // 2)[: len(off), None, None]
    weights = np.broadcast_to(weights, off.shape).ravel()
    order = np.argsort(off, axis=None)
    upto = np.cumsum(weights[order])
    return float(off.ravel()[order[np.searchsorted(upto, 0.99 * upto[-1])]])


def decoded(data: Any) -> Any:
    return cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)


def reduced_codes(codes: Any, width: int) -> Any:
    """A finished picture at another width, its light averaged as export averages it for a second width."""
    light = srgb_decode(codes.astype(np.float64) / 255).astype(np.float32)
    return np.round(srgb_encode(np.clip(reduce_rows(light, width), 0, 1)) * 255).astype(np.float32)


def memory(folder: Path, width: int = 12_000) -> None:
    write_linear_dng(folder / "originals/hall/large.dng", room(width, 0.001))
    job = open_job(folder)
    looked = look_at_job(job, load_recipe(job), Options(workers=1))
    reset_peak_memory()
    before = peak_memory()
    bench, key = Bench(looked), FrameKey("hall", "large")
    timed = Timed(bench, key, 1536)
    for draft in ({}, {"tone.exposure_ev": 1.0}, {"nadir.margin_deg": 2.0}, {"level.tilt_deg": 2.0}):
        timed.show(draft, quick=False)
    print(
        f"\n{width * width // 2 / 1e6:.0f} megapixels, MiB above what the process had ({before / 2**20:.0f})"
    )
    print(f"{'pictures 1536 wide':40}{(peak_memory() - before) / 2**20:8.0f}")
    loupe = Loupe(bench, 1536)
    for what, spot, draft in (
        ("a piece at full size, on the horizon", Spot(0, 0), {"level.tilt_deg": 0.0}),
        ("on the rebuilt floor", Spot(0, -80), {"level.tilt_deg": 0.0}),
        ("the whole at full size, as at rest", None, {"level.tilt_deg": 0.0}),
        ("on the rebuilt floor after that", Spot(0, -80), {"level.tilt_deg": 0.0}),
        ("of a frame that is levelled", Spot(0, 0), {"level.tilt_deg": 2.0}),
    ):
        reset_peak_memory()
        started = time.process_time()
        frame = bench.tried(key, tried(job, bench.recipe, key, draft))
        if spot is None:
            loupe.whole(frame, lambda: True)
        else:
            loupe.piece(frame, spot, lambda: True)
        spent = time.process_time() - started
        print(f"{what:40}{(peak_memory() - before) / 2**20:8.0f}   after {1e3 * spent:.0f} ms of CPU")
        if spot is None:
            continue
        started = time.process_time()
        loupe.piece(frame, Spot(spot.yaw_deg + 20, spot.pitch_deg), lambda: True)
        print(f"{'  and beside it':40}{'':8}   after {1e3 * (time.process_time() - started):.0f} ms")
    loupe.close()


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("job", type=Path, nargs="?", default=Path("sample_job"))
    parser.add_argument("--frame", default="")
    parser.add_argument("--widths", type=int, nargs="+", default=[1536, 2048])
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--truth", action="store_true")
    parser.add_argument("--memory", action="store_true")
    given = parser.parse_args()
    cv2.setNumThreads(1)
    with tempfile.TemporaryDirectory() as place:
        if given.memory:
            memory(Path(place))
            return
        left_out = shutil.ignore_patterns("truth", "pictures", "finished", "review", ".panopipe", "make")
        folder = Path(shutil.copytree(given.job, Path(place) / "job", ignore=left_out))
        job = open_job(folder)
        started = time.process_time()
        bench = Bench(look_at_job(job, load_recipe(job), Options(workers=1)))
        print(
            f"{len(bench.keys)} frames looked at; {time.process_time() - started:.1f} s of it in this process"
        )
        key = job.key(given.frame) if given.frame else bench.keys[0]
        if given.truth:
            keys = [key] if given.frame else bench.keys
            truth(folder, bench, keys, given.widths, changes=bool(given.frame))
            return
        for width in given.widths:
            table(bench, key, width, given.repeats)


if __name__ == "__main__":
    main()
