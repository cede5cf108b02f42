"""Measure merged brackets: `python -m tests.benchmarks.bracket FOLDER [--parts snr view ...] [--width W]`.

FOLDER holds radiance panoramas (.exr or .hdr, linear Rec.709), or places that `python -m tests.scenes.places`
wrote. Exposures are made of them with a small sensor (10,000 electrons at saturation, 10 of reading) and
written as the invented camera's DNGs; nothing of the way there asks panopipe. Parts:

snr       static brackets of 3 x 2, 5 x 2 and 9 x 1 EV: signal-to-noise by level against the best estimator of
          the same exposures (inverse variances, samples from .95 of saturation on left out), in dB:
          as merged, and with what all of them clip rebuilt, which whitens light around it on purpose
view      places only: a bracket of five through the default recipe (but nadir and level), and its first
          exposure alone. Of what is seen through openings: L*, the share above L* 97, and the likeness to the
          view exposed for itself, by its median alone and held by its 98th percentile, see
          `tests.benchmarks.views`
sway      a monopod that leans up to a degree a shot about its foot, in a room of known form
          (`tests.scenes.sway`): pixels of 6144 that registration leaves across edges which the exposure
          holds and sees, by distance; and of a merged bracket the edge pixels that are like no single
          exposure as it was laid (beyond 4 sigma and 3 %), but beside what all of them clip: shown twice
moving    five things of 20 to 200 pixels of 6144 in five places each: pixels of the moving area that are like
          no single exposure (mean of 3 x 3 beyond 4 sigma), and places found in a static bracket
folders   made folders of brackets, takes, neighbours, mixed names, missing times, wrong tags, an exposure of
          another place slipped in: groups found, and wrong merges
cost      CPU of merging against decoding all exposures and one frame's default chain, and peak memory against
          one frame's, beyond that of a process that only imports all this
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from skimage.color import rgb2lab

from panopipe.exposures.recognise import candidates, recognise
from panopipe.frame import Frame, FrameKey
from panopipe.pipeline.engine import finish_frame, reductions
from panopipe.pipeline.frame_pipeline import StageInputs
from panopipe.pipeline.steps import StageTimer, Step
from panopipe.pool.machine import keep_freed_memory, peak_memory
from panopipe.registry import DEFAULT_ORDER, loaded_stage
from panopipe.sphere.geometry import direction, pitch_of_row, pixel_solid_angle, yaw_of_column
from panopipe.stage import JobFacts, Observation
from panopipe.stages.decode import Decode, DecodedFrame, DecodeSettings
from panopipe.studies.bracket.register import Look, register
from tests.benchmarks.real_light import read_light
from tests.benchmarks.views import view_of
from tests.makers.bracket import SMALL_SENSOR
from tests.makers.camera import camera_from_recorded, camera_values, recorded_working, shoot
from tests.makers.dng import Shot
from tests.makers.place_job import IN_PLACE
from tests.scenes.place import MIDDLE, Place, read_place
from tests.scenes.sway import Room, Sway, is_seen, swayed, true_places

KEY = FrameKey("room", "frame")
SLOPE, LEAST = 1 / SMALL_SENSOR.full_well_e, (SMALL_SENSOR.read_noise_e / SMALL_SENSOR.full_well_e) ** 2
BRACKETS = {"3 x 2": (0, -2, 2), "5 x 2": (0, -2, 2, -4, 4), "9 x 1": (0, -1, 1, -2, 2, -3, 3, -4, 4)}


def saturation_of(light: np.ndarray) -> float:
    """Luminance that the reference calls white."""
    luminance = light @ np.array([0.2126, 0.7152, 0.0722])
    weight = np.broadcast_to(pixel_solid_angle(len(light))[:, None], luminance.shape)
    order = np.argsort(luminance, axis=None)
    heaped = np.cumsum(weight.ravel()[order])
    return float(luminance.ravel()[order[np.searchsorted(heaped, heaped[-1] / 2)]]) / MIDDLE


def write(
    folder: Path,
    lights: Sequence[np.ndarray],
    evs: Sequence[float],
    saturation: float,
    *,
    name: str = "a",
    first_second: float = 0,
    apart_s: float = 2,
    tags_ev: Sequence[float] | None = None,
    timed: bool = True,
    seed: int = 0,
) -> list[Path]:
    """Shoot a bracket; `tags_ev` is what the files say where that is wrong."""
    files = []
    for number, (light, ev) in enumerate(zip(lights, evs, strict=True)):
        second = round(first_second + apart_s * number)
        taken = f"2026:11:24 {21 + second // 3600:02d}:{second // 60 % 60:02d}:{second % 60:02d}"
        told = (tags_ev or evs)[number]
        shot = Shot(exposure_s=2.0**told / 30, taken=taken if timed else None, exposure_bias_ev=None)
        path = folder / f"{name}-{number + 1:02d}.dng"
        light_of = {"saturation": saturation / 2.0**ev, "baseline_ev": 0.0}
        files.append(shoot(path, light, **light_of, seed=seed + number, shot=shot, sensor=SMALL_SENSOR))
    return files


def opened(files: Sequence[Path], settings: DecodeSettings | None = None) -> DecodedFrame:
    """Open a frame as a run does."""
    return Decode().open(files, KEY, settings or DecodeSettings())


def snr(light: np.ndarray) -> Iterator[str]:
    """Signal-to-noise by level, as merged, and where light that all exposures clip is rebuilt, besides."""
    saturation, height = saturation_of(light), len(light)
    share = camera_values(light, saturation)
    for kind, evs in BRACKETS.items():
        precision, times = np.zeros_like(share), 2.0 ** np.array(evs, float)
        for when in times:
            kept = share * when < 0.95
            precision += kept * when**2 / (SLOPE * share * when + LEAST)
        with tempfile.TemporaryDirectory() as folder:
            files = write(Path(folder), [light] * len(evs), evs, saturation)
            for clipped in ("as-recorded", "rebuild"):
                with opened(files, DecodeSettings(clipped=clipped)) as frame:
                    merged = np.roll(frame.read(0, height), frame.facts.anchor_column, axis=1)
                ours = camera_from_recorded(merged, 0.0) - share
                yield f"  {kind:6} {clipped:11} dB by EV of light against white   " + by_level(
                    ours, share, precision
                )


def by_level(error: np.ndarray, share: np.ndarray, precision: np.ndarray) -> str:
    """How far errors are above what the best estimator would leave, in dB, by EV of light."""
    line = []
    for low in range(-10, 5):
        here = (share >= 2.0**low) & (share < 2.0 ** (low + 1)) & (precision > 0)
        if np.count_nonzero(here) < 2000:
            continue
        spread = np.quantile(np.abs(error[here] * np.sqrt(precision[here])), 0.6827)
        line.append(f"{low:+d}:{-20 * np.log10(spread):+.2f}")  # one sigma; a few edges do not count
    return "  ".join(line)


def view(place: Place) -> Iterator[str]:
    """The view, through the recipe."""
    evs = BRACKETS["5 x 2"]
    with tempfile.TemporaryDirectory() as name:
        files = write(Path(name), [place.mixed] * len(evs), evs, place.white_level)
        for what, shot in (("merged", files), ("one exposure", files[:1])):
            seen = view_of(place, rgb2lab(finished(shot)[..., ::-1] / 255.0))
            if seen is None:
                yield "  it has no view by day"
                return
            yield (
                f"  {what:12} L* {seen.median:.1f}, above 97 {seen.above_97:.2f} %, "
                f"likeness {seen.likeness[0]:.3f} {seen.likeness[1]:.3f}"
            )


def finished(files: Sequence[Path]) -> np.ndarray:
    """The main picture of the default chain, alone in its job, but that nothing is moved."""
    from panopipe.job import open_job  # noqa: PLC0415
    from panopipe.recipe import load_recipe  # noqa: PLC0415
    from panopipe.run.job_run import Options, run_job  # noqa: PLC0415

    with tempfile.TemporaryDirectory() as name:
        room = Path(name) / "originals" / "room"
        room.mkdir(parents=True)
        for file in files:
            (room / file.name).write_bytes(file.read_bytes())
        (Path(name) / "recipe.toml").write_text(IN_PLACE, encoding="utf-8")
        job = open_job(name)
        summary = run_job(job, load_recipe(job), Options(workers=1))
        key = summary.finished[0]
        return np.asarray(cv2.imread(str(Path(name) / "finished" / key.room / f"{key.name}.jpg")))


def looked(
    light: np.ndarray, ev: float, saturation: float, random: np.random.Generator, per_px: float
) -> Look:
    """A small picture of an exposure, with the noise that means of `per_px` pixels have."""
    share = camera_values(light, saturation / 2.0**ev)
    noise = np.array([[SLOPE, LEAST]] * 3) / per_px
    sd = np.sqrt(np.maximum(share, 0) * noise[0, 0] + noise[0, 1])
    return Look(np.clip(share + sd * random.standard_normal(share.shape), -1, 1).astype(np.float32), noise)


def sway(light: np.ndarray) -> Iterator[str]:
    """Misregistration after a sway, and what it leaves in the merged picture."""
    light = cv2.resize(light, (1024, 512), interpolation=cv2.INTER_AREA)
    saturation, random, room = saturation_of(light), np.random.default_rng(18), Room()
    reference = looked(light, 0, saturation, random, 36)
    edges = Edges.of(light, saturation)
    far = room.distance(np.zeros(3), direction(edges.yaw, edges.pitch))
    for lean in (0.1, 0.3, 1.0):
        lines = []
        for ev in (-2, 2):
            swung = Sway(lean, float(random.uniform(-180, 180)), float(random.uniform(-lean, lean)))
            found = register(reference, looked(swayed(light, swung, room), ev, saturation, random, 36))
            truth = direction(*true_places(swung, room, edges.yaw, edges.pitch))
            column, row = found.motion.places(edges.yaw, edges.pitch, 1024)
            off = edges.across(direction(yaw_of_column(column, 1024), pitch_of_row(row, 512)), truth)
            strength = edges.held(ev) * is_seen(swung, room, edges.yaw, edges.pitch)
            parts = [weighted(off[m], strength[m], (0.5, 0.9)) for m in ((far >= 3), (far < 3))]
            lines.append(f"{ev:+d} EV: beyond 3 m {parts[0]}, nearer {parts[1]}")
        yield f"  lean {lean:.1f} deg   px of 6144, median and 90th: {';  '.join(lines)}"
        yield f"                 {twice(light, lean, saturation, random)}"


@dataclass(frozen=True)
class Edges:
    """Every fourth direction of a panorama 1,024 wide, how its light changes there, and how bright it is."""

    yaw: np.ndarray
    pitch: np.ndarray
    slope: tuple[np.ndarray, np.ndarray]
    least: np.ndarray
    top: np.ndarray

    @classmethod
    def of(cls, light: np.ndarray, saturation: float) -> Edges:
        """Edges of a panorama."""
        yaw, pitch = np.meshgrid(
            yaw_of_column(np.arange(0, 1024, 4), 1024), pitch_of_row(np.arange(0, 512, 4), 512)
        )
        log = cv2.GaussianBlur(np.log(light.mean(axis=-1) + 1e-3 * saturation), (0, 0), 1)
        down, right = (slope[::4, ::4] for slope in np.gradient(log))
        share = camera_values(light, saturation)
        top = cv2.dilate(share.max(axis=-1).astype(np.float32), np.ones((5, 5)))
        return cls(yaw, pitch, (right, down), share.min(axis=-1)[::4, ::4], top[::4, ::4])

    def held(self, ev: float) -> np.ndarray:
        """How strong edges are that an exposure and the reference hold, by solid angle."""
        seen = (self.top * 2.0 ** max(ev, 0) < 0.85) & (self.least * 2.0 ** min(ev, 0) > 0.01)
        return np.minimum(np.hypot(*self.slope), 0.3) * np.cos(np.radians(self.pitch)) * seen

    def across(self, ours: np.ndarray, truth: np.ndarray) -> np.ndarray:
        """How far directions lie from true ones across edges, in pixels of 6144; along one nobody sees it."""
        right = direction(np.degrees(np.arctan2(truth[..., 0], truth[..., 2])) + 90, 0 * self.pitch)
        up = np.cross(truth, right)
        away = [np.sum((ours - truth) * towards, axis=-1) for towards in (right, up)]
        over, down = self.slope[0] / np.cos(np.radians(self.pitch)), self.slope[1]
        off = np.abs(away[0] * over - away[1] * down) / np.maximum(np.hypot(over, down), 1e-9)
        return off * 6144 / (2 * np.pi)


def twice(light: np.ndarray, lean: float, saturation: float, random: np.random.Generator) -> str:
    """How much of a merged bracket's edges is like none of its exposures."""
    evs, height = BRACKETS["5 x 2"], len(light)
    sways = [
        Sway(lean, float(random.uniform(-180, 180)), float(random.uniform(-lean, lean))) for _ in evs[1:]
    ]
    lights = [light, *(swayed(light, one, Room()) for one in sways)]
    with (
        tempfile.TemporaryDirectory() as folder,
        opened(write(Path(folder), lights, evs, saturation)) as frame,
    ):
        anchor, bracket = frame.facts.anchor_column, frame.probed.bracket
        merged = np.roll(frame.read(0, height), anchor, axis=1)
    laid, used = [], []
    for ev, seen, one in zip(evs, lights, bracket.exposures, strict=True):
        if one is not None:
            laid.append(np.roll(one.motion.seen(np.roll(seen, -anchor, axis=1)), anchor, axis=1))
            used.append(ev)
    logs = np.log(light.mean(axis=-1) + 1e-3 * saturation)
    edge = np.maximum(*(np.abs(slope) for slope in np.gradient(logs))) > 0.1
    edge &= np.abs(pitch_of_row(np.arange(height), height))[:, None] < 60
    top = camera_values(light, saturation).max(axis=-1) * 2.0 ** min(evs)
    edge &= cv2.dilate(top, np.ones((9, 9))) < 0.85  # beside it light is rebuilt
    unlike = likest(merged, laid, used, saturation, 1)
    return (
        f"{100 * edge.mean():.1f} % are edges, of which shown twice {100 * np.mean(unlike[edge] > 4):.2f} %"
    )


def likest(
    merged: np.ndarray, lights: Sequence[np.ndarray], evs: Sequence[float], saturation: float, side: int
) -> np.ndarray:
    """How far merged light is from the nearest exposure, in sigmas of a mean of `side` squared pixels."""
    nearest = np.full(merged.shape[:2], np.inf)
    for ev, seen in zip(evs, lights, strict=True):
        truth = recorded_working(seen, saturation=saturation, baseline_ev=0)
        share = np.maximum(truth, 1e-4)
        sd = (
            1.8 * np.sqrt(SLOPE * share / min(2.0**ev, 1) + LEAST / min(2.0**ev, 1) ** 2) / side
            + 0.03 * share
        )
        nearest = np.minimum(nearest, np.abs(cv2.blur(merged - truth, (side, side)) / sd).max(axis=-1))
    return nearest


def weighted(values: np.ndarray, weight: np.ndarray, at: Sequence[float]) -> str:
    """Quantiles in words."""
    order = np.argsort(values)
    heaped = np.cumsum(weight[order]) / weight.sum()
    return " ".join(f"{values[order[np.searchsorted(heaped, x)]]:.2f}" for x in at)


def moving(light: np.ndarray) -> Iterator[str]:
    """Things that move from exposure to exposure."""
    height, width = light.shape[:2]
    saturation, random, evs = saturation_of(light), np.random.default_rng(5), BRACKETS["5 x 2"]
    things = []
    for px in (20, 40, 80, 120, 200):
        at = random.uniform(0, width), random.uniform(0.3, 0.65) * height
        things.append((*at, px * width / 6144 / 2, random.uniform(0.01, 0.5, 3)))
    y, x = np.mgrid[:height, :width]
    lights = []
    for number in range(len(evs)):
        seen = light.copy()
        for column, row, radius, colour in things:
            at = (column + number * 0.8 * radius) % width
            away = np.abs(x - at)
            apart = np.hypot(y - row, np.minimum(away, width - away))
            inside = np.clip(radius - apart + 0.5, 0, 1)[..., None]
            seen = seen * (1 - inside) + inside * colour * saturation * 4 * MIDDLE
        lights.append(seen.astype(np.float32))
    with tempfile.TemporaryDirectory() as folder:
        files = write(Path(folder), lights, evs, saturation)
        with opened(files) as frame:
            merged = np.roll(frame.read(0, height), frame.facts.anchor_column, axis=1)
            found = int(frame.notes.get("moved_places", 0))
        still = write(Path(folder) / "still", [light] * len(evs), evs, saturation)
        with opened(still) as frame:
            false = int(frame.notes.get("moved_places", 0))
    most = np.max([np.abs(one - lights[0]).max(axis=-1) for one in lights[1:]], axis=0)
    area = most > 0.02 * saturation * MIDDLE
    nearest = likest(merged, lights, evs, saturation, 3)
    mixed = 100 * np.mean(nearest[area] > 4)
    yield f"  moving area {area.sum()} px, like no one moment {mixed:.3f} %, places {found}, static {false}"


KINDS = ("bracket", "five", "nine", "takes", "neighbours", "slipped", "tags", "untimed", "lone", "two")


@dataclass(frozen=True)
class Beside(Sway):
    """A stand beside the panorama's, in metres."""

    place: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @property
    def position(self) -> np.ndarray:
        """Of the lens."""
        return np.array(self.place)


def folders(lights: Sequence[np.ndarray], count: int) -> Iterator[str]:
    """Recognition over made folders."""
    small = [cv2.resize(light, (512, 256), interpolation=cv2.INTER_AREA) for light in lights]
    true = found = wrong = told = 0
    for number in range(count):
        random = np.random.default_rng(number)
        kind = KINDS[number % len(KINDS)]
        with tempfile.TemporaryDirectory() as name:
            files, groups = made_folder(Path(name), kind, small, random)
            ours, doubts = [], []
            for run in candidates(sorted(files)):
                ordered = sorted(files)
                some, lines = recognise([ordered[place] for place in run])
                ours += [frozenset(ordered[run[m]].stem for m in one.members) for one in some]
                doubts += lines
        true += len(groups)
        found += sum(group in ours for group in groups)
        bad = [group for group in ours if not any(group <= one for one in groups)]
        wrong += len(bad)
        told += len(doubts)
        if bad or any(group not in ours for group in groups):
            print(
                f"    {kind} {number}: {list(map(sorted, groups))}, found {list(map(sorted, ours))} {doubts}"
            )
    yield f"  {count} folders: {found} of {true} groups found whole, {wrong} wrong merges, {told} doubts told"


def made_folder(
    folder: Path, kind: str, lights: Sequence[np.ndarray], random: np.random.Generator
) -> tuple[list[Path], list[frozenset[str]]]:
    """One room's files, and which of them are one place."""
    light, other = (lights[i] for i in random.permutation(len(lights))[:2])
    room, saturation = Room(pillars=()), saturation_of(light)
    lean = float(random.choice([0.0, 0.3, 1.0]))

    def seen(count: int, source: np.ndarray = light) -> list[np.ndarray]:
        sways = [Sway(lean, random.uniform(-180, 180)) for _ in range(count - 1)]
        return [source, *(swayed(source, one, room) for one in sways)]

    beside = swayed(light, Beside(place=(random.choice([-1, 1]) * 1.2, 0.0, 1.2)), room)
    further = swayed(light, Beside(place=(random.choice([-1, 1]) * 1.0, 0.0, -1.8)), room)
    options = {"seed": int(random.integers(1000)), "name": str(random.choice(["hall", "IMG_20", "r0010"]))}
    evs = {"five": (0, -2, 2, -4, 4), "nine": BRACKETS["9 x 1"]}.get(kind, (0, -2, 2))
    if kind == "takes":
        files = write(folder, seen(3), (0, -0.7, 0.5), saturation, apart_s=90, **options)
        return files, []
    if kind == "neighbours":
        return write(folder, [light, beside, further], (0, -0.7, 0.5), saturation, apart_s=12, **options), []
    if kind == "lone":
        return write(folder, [light, other, further], (0, 0, 0), saturation, apart_s=40, **options), []
    if kind == "slipped":
        pictures = seen(3)
        files = write(folder, [pictures[0], other, pictures[2]], evs, saturation, **options)
        return files, [frozenset({files[0].stem, files[2].stem})]
    if kind == "tags":
        wrong = [ev + random.uniform(-0.3, 0.3) for ev in evs]
        files = write(folder, seen(3), evs, saturation, tags_ev=wrong, **options)
    elif kind == "untimed":
        files = write(folder, seen(3), evs, saturation, timed=False, **options)
    elif kind == "two":
        first = write(folder, seen(3), evs, saturation, **options)
        options |= {"name": "next", "first_second": 18, "seed": 7}
        second = write(folder, seen(3, beside), evs, saturation, **options)
        return first + second, [frozenset(f.stem for f in first), frozenset(f.stem for f in second)]
    else:
        files = write(folder, seen(len(evs)), evs, saturation, **options)
    return files, [frozenset(file.stem for file in files)]


def cost(light: np.ndarray, width: int) -> Iterator[str]:
    """CPU and memory, each in a process of its own."""
    saturation = saturation_of(light)
    large = np.maximum(cv2.resize(light, (width, width // 2), interpolation=cv2.INTER_CUBIC), 0)
    with tempfile.TemporaryDirectory() as folder:
        evs = BRACKETS["5 x 2"]
        sways = [Sway(0.3 if number else 0.0, 70.0 * number) for number in range(5)]
        files = write(Path(folder), [swayed(large, one, Room()) for one in sways], evs, saturation)
        said = {}
        for count in (1, 5):
            call = [sys.executable, "-m", "tests.benchmarks.bracket", "--measure", *map(str, files[:count])]
            done = subprocess.run(call, capture_output=True, check=True, text=True)
            said[count] = [float(number) for number in done.stdout.split()]
    (decode, chain, one), (merged, _, several) = said[1], said[5]
    pixels = width * width / 2
    yield (
        f"  {width} wide, five swayed: CPU of reading {merged:.1f} s; one {decode:.2f}, chain {chain:.1f}: "
        f"{(merged + chain) / (5 * decode + chain):.2f} of 5 x reading + chain; "
        f"peak {several / one:.2f} of a single frame's ({one / pixels:.1f} bytes a pixel, merged "
        f"{several / pixels:.1f})"
    )


def measure(files: Sequence[Path]) -> None:
    """CPU seconds of reading a frame at look and finish, and of the rest of the default chain; peak bytes."""
    base = peak_memory()
    keep_freed_memory()  # as a worker does
    timer = StageTimer()
    steps = [Step(made, made.Settings()) for made in map(loaded_stage, DEFAULT_ORDER)]
    solutions = {}
    started = time.process_time()
    with opened(files) as frame:
        reduced, probed = reductions(frame).reduced, frame.probed
        looked = time.process_time() - started
        for step in (step for step in steps if step.stage.surveys):
            seen = step.stage.survey(Frame(reduced.copy(), frame.facts), step.settings)
            observed = {KEY: Observation(seen, step.settings, frame.facts)}
            solutions[step.name] = step.stage.solve(observed, JobFacts({KEY.room: [KEY]}))[KEY]
    opening = time.process_time()
    with Decode().open(files, KEY, DecodeSettings(), probed) as frame:
        opening = time.process_time() - opening
        done = finish_frame(frame, steps, inputs=StageInputs(solutions), reduced=reduced, timer=timer)
    reading = looked + opening + done.stage_seconds["decode"]
    print(reading, time.process_time() - started - reading, peak_memory() - base)


def main() -> None:
    """Print the tables that the command line asks for."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("--parts", nargs="*", default=["snr", "view", "sway", "moving", "folders", "cost"])
    parser.add_argument("--width", type=int, default=2048)
    parser.add_argument("--large", type=int, default=6144, help="width for cost")
    parser.add_argument("--folders", type=int, default=200)
    parser.add_argument("--only", nargs="*", default=None, help="panoramas, by the beginning of their names")
    parser.add_argument("--measure", type=Path, nargs="*", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    if asked.measure:
        measure(asked.measure)
        return
    scenes = dict(read_scenes(asked.folder, asked.width, asked.only))
    for name, (light, place) in scenes.items():
        for part, measured in (("snr", snr), ("sway", sway), ("moving", moving)):
            if part in asked.parts:
                show(f"{name}: {part}", measured(light))
        if "view" in asked.parts and place is not None:
            show(f"{name}: view", view(place))
    lights = [light for light, _ in scenes.values()]
    if "folders" in asked.parts:
        show("folders", folders(lights, asked.folders))
    if "cost" in asked.parts:
        show("cost", cost(lights[0], asked.large))


Scene = tuple[np.ndarray, Place | None]


def read_scenes(folder: Path, width: int, only: Sequence[str] | None) -> Iterator[tuple[str, Scene]]:
    """Light of each panorama, scaled, and of each place as it was rendered; by name."""
    for path in sorted(folder.iterdir()):
        if only is not None and not path.name.startswith(tuple(only)):
            continue
        if path.suffix in (".exr", ".hdr"):
            yield path.stem, (read_light(path, width), None)
        elif (path / "place.json").is_file():
            place = read_place(path)
            yield path.name, (place.mixed, place)


def show(title: str, lines: Iterator[str]) -> None:
    """Print a table as it comes."""
    print(title, flush=True)
    for line in lines:
        print(line, flush=True)


if __name__ == "__main__":
    main()
