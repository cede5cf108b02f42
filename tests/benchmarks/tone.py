"""The tone table: ``python -m tests.benchmarks.tone [--width 1024] [--real FOLDER] [--kept FOLDER]``.

Rendered places of every kind of light, the sample job, and radiance panoramas of a folder go through the
default tone and vibrance. Beside them stand OpenCV's tone mappers and its exposure fusion on the same views.
Below, all that was promised of a picture is held against its bar. It measures; it asserts nothing.

Rendered places take about 10 s of CPU each at 2048 wide and 2 minutes at 6144 (the club hall with its six
lamps five times that). With ``--kept`` they are rendered once and read from that folder again;
``--only`` takes a few of the scenes. ``--reach`` shows instead how high the index could be driven.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from panopipe.colour.spaces import LUMINANCE_OF_WORKING, SRGB_FROM_WORKING, WORKING_FROM_SRGB
from panopipe.colour.transfer import srgb_encode
from panopipe.frame import Band, FrameKey, Rows
from panopipe.registry import loaded_stage
from panopipe.sphere.geometry import direction, pitch_of_row, yaw_of_column
from panopipe.stages.tone import Tone, ToneSettings
from panopipe.stages.vibrance import Vibrance, VibranceSettings
from tests.benchmarks.real_light import read_light
from tests.benchmarks.tone_chart import LIGHTS, NEUTRAL, chart_error
from tests.benchmarks.tone_picture import (
    BAND_ROWS,
    RIVALS,
    card_lightness,
    clipped_percent,
    finished,
    prepared_by,
    quality,
    through,
    views,
)
from tests.benchmarks.tone_reach import CARD_FROM, CARD_TO, print_reach
from tests.benchmarks.tone_scenes import PLACES, Scene, kept_scene, recorded
from tests.measures.closure import pole_ratio, seam_ratio
from tests.measures.halo import overshoot, step_frame
from tests.measures.tmqi import Quality

SAMPLE = Path(__file__).parents[2] / "sample_job" / "originals"
WINDOW = ToneSettings(exposure_ev=2.0, highlights_ev=-4.0, shadows_ev=0.0)
"""A room with a window: about what is found for those of the table."""
LIFTED = ToneSettings(exposure_ev=1.0, highlights_ev=-3.0, shadows_ev=1.5)
"""Everything moves: what could tear at a cut does."""


@dataclass(frozen=True)
class Result:
    """What the table says of one scene."""

    name: str
    marks: dict[str, Quality]
    clipped: float
    cards: list[float]
    turn: float
    cpu_s: float


def scenes(width: int, real: Path | None, kept: Path | None, only: list[str]) -> Iterator[Scene]:
    """All scenes that are at hand, or those whose names begin with one of `only`."""

    def wanted(name: str) -> bool:
        return not only or any(name.startswith(begin) for begin in only)

    yield from (kept_scene(name, width, kept) for name in PLACES if wanted(name))
    source = loaded_stage("decode")
    for path in sorted(path for path in SAMPLE.rglob("*.dng") if wanted(path.stem)):
        key = FrameKey(path.parent.name, path.stem)
        with source.open([path], key, source.Settings()) as opened:  # type: ignore[attr-defined]
            yield Scene(path.stem, opened.read(0, opened.facts.height))
    for path in sorted(real.iterdir()) if real else ():
        if path.suffix.lower() in (".exr", ".hdr") and wanted(path.stem):
            light = (read_light(path, None) @ WORKING_FROM_SRGB.T).astype(np.float32)
            yield Scene(path.stem, recorded(np.maximum(light, 0), clipped_share=0.004))


def measured(scene: Scene, save: Path | None) -> Result:
    """Render a scene and measure it."""
    start = time.process_time()
    after = finished(scene.rows)
    marks = quality(views(scene.rows), views(after))
    turned = np.roll(finished(np.roll(scene.rows, 333, axis=1)), -333, axis=1)
    if save:
        picture = srgb_encode(np.clip(after.astype(np.float64) @ SRGB_FROM_WORKING.T, 0, 1))
        cv2.imwrite(str(save / f"{scene.name}.png"), np.rint(picture * 255).astype(np.uint8)[..., ::-1])
    return Result(
        scene.name,
        marks,
        clipped_percent(scene.rows, after),
        card_lightness(scene, after),
        float(np.abs(turned - after).max()),
        time.process_time() - start,
    )


def print_scene(result: Result, width: int) -> None:
    """One line of the table."""
    marks, own = result.marks, result.marks["panopipe"]
    cards = " ".join(f"{value:.0f}" for value in result.cards) or "-"
    print(
        f"| {result.name:20s} | {width} | {own.index:.3f} | {own.fidelity:.3f} {own.natural:.2f} | "
        + " | ".join(f"{marks[name].index:.3f}" for name in RIVALS)
        + f" | {result.clipped:.2f} | {cards:7s} | {result.turn:g} | {result.cpu_s:.1f} |",
        flush=True,
    )


def print_verdict(what: str, value: str, bar: str, *, met: bool) -> None:
    """One promise and whether it is kept."""
    print(f"| {what:48s} | {value:26s} | {bar:18s} | {'met' if met else 'MISSED'} |", flush=True)


def print_verdicts(results: list[Result]) -> None:
    """What was promised of the scenes."""
    mean = np.mean([result.marks["panopipe"].index for result in results])
    print_verdict(
        "index, mean over the scenes", f"{mean:.3f} over {len(results)}", ">= 0.90", met=mean >= 0.9
    )
    for name in RIVALS:
        wins = sum(r.marks["panopipe"].index > r.marks[name].index for r in results)
        theirs = np.mean([r.marks[name].index for r in results])
        value = f"{wins} of {len(results)}; its mean {theirs:.3f}"
        print_verdict(f"index above {name}", value, ">= 9 of 10", met=10 * wins >= 9 * len(results))
    clipped = max(result.clipped for result in results)
    print_verdict("clipped where the raw is not, most", f"{clipped:.3f} %", "< 0.1 %", met=clipped < 0.1)
    cards = [value for result in results for value in result.cards]
    if cards:
        inside = min(cards) >= CARD_FROM and max(cards) <= CARD_TO
        value = f"{min(cards):.1f} to {max(cards):.1f}"
        print_verdict("18 % cards, L*", value, "42 to 58", met=inside)
    turn = max(result.turn for result in results)
    print_verdict("roll by whole pixels, largest change", f"{turn:g}", "0", met=turn == 0)


def print_halo() -> None:
    """Overshoot beside steps of light, with the moves of a room that has a window."""
    for height_ev, bar in ((6.0, 2.0), (3.0, 2.0), (1.0, None)):
        after = finished(step_frame(1024, dark=0.04, height_ev=height_ev), WINDOW, VibranceSettings(0.0))
        dark, bright = overshoot(srgb_encode(np.clip(after[..., 1].astype(np.float64), 0, 1)))
        print_verdict(
            f"overshoot beside {height_ev:g} EV, dark and bright side",
            f"{100 * dark:.2f} %, {100 * bright:.2f} %",
            "< 2 %" if bar else "no bar",
            met=bar is None or 100 * max(dark, bright) < bar,
        )


def waves(seed: int, width: int = 512) -> Rows:
    """Light that is alike everywhere on the sphere: waves in all directions of space."""
    random = np.random.default_rng(seed)
    ways = random.standard_normal((200, 3))
    ways *= 60 / np.linalg.norm(ways, axis=1, keepdims=True)
    yaw, pitch = yaw_of_column(np.arange(width), width), pitch_of_row(np.arange(width // 2), width // 2)
    phase = direction(yaw[None], pitch[:, None]) @ ways.T + random.uniform(0, 2 * np.pi, 200)
    light = 0.05 * 2.0 ** (np.cos(phase).sum(axis=-1) * 1.5 / np.sqrt(100))
    return np.repeat(light[..., None], 3, axis=-1).astype(np.float32)


def print_closure(trials: int = 24) -> None:
    """Steps across the seam and over the poles, with the error of their mean over some trials."""
    ratios = []
    for seed in range(trials):
        rows = waves(seed)
        toned = through(Tone(), LIFTED, rows)
        before, after = (np.log2(part @ LUMINANCE_OF_WORKING) for part in (rows, toned))
        ratios.append((seam_ratio(before, after), pole_ratio(before, after)))
    errors = np.std(ratios, axis=0) / np.sqrt(trials)
    for name, ratio, error in zip(("the seam", "the poles"), np.mean(ratios, axis=0), errors, strict=True):
        value = f"{ratio:.3f} +- {error:.3f}"
        print_verdict(f"steps across {name}, ratio", value, "0.95 to 1.05", met=0.95 <= ratio <= 1.05)


def print_chart() -> None:
    """Colours of a chart under several lights."""
    for name, light in LIGHTS.items():
        error = chart_error(light)
        print_verdict(f"chart under {name}, mean delta E 2000", f"{error:.3f}", "< 1", met=error < 1)


def print_neutral(rows: Rows) -> None:
    """Difference that neutral settings make."""
    change = float(np.abs(finished(rows, NEUTRAL, VibranceSettings(0.0)) - rows).max())
    print_verdict("largest change by neutral settings", f"{change:g}", "0", met=change == 0)


def print_speed(rows: Rows) -> None:
    """CPU time of both stages on one thread, against a copy of the frame."""
    cv2.setNumThreads(1)
    wide = cv2.resize(rows, (6144, 1024), interpolation=cv2.INTER_LINEAR)
    megapixels = wide.shape[0] * wide.shape[1] / 1e6
    copying = _cpu_ms(wide.copy) / megapixels
    for step, settings in ((Tone(), ToneSettings()), (Vibrance(), VibranceSettings())):
        prepared, facts = prepared_by(step, settings, rows)

        def work(
            step: Any = step, data: Any = prepared.data, settings: Any = settings, facts: Any = facts
        ) -> None:
            for first in range(0, wide.shape[0], BAND_ROWS):
                band = Band(wide[first : first + BAND_ROWS].copy(), first, facts)
                step.apply(band, settings, data)

        each = _cpu_ms(work) / megapixels - copying
        print(f"{step.name}: {each:.1f} ms of CPU a megapixel, {each / copying:.0f} copies of the frame")


def _cpu_ms(work: Callable[[], object]) -> float:
    spent = []
    for _ in range(4):
        start = time.process_time()
        work()
        spent.append(1000 * (time.process_time() - start))
    return min(spent)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--real", type=Path, help="folder of radiance panoramas (.exr, .hdr)")
    parser.add_argument("--width", type=int, default=1024, help="width of the rendered places in pixels")
    parser.add_argument("--kept", type=Path, help="folder where rendered places stay for the next time")
    parser.add_argument("--only", nargs="+", default=[], help="beginnings of the names of scenes to take")
    parser.add_argument("--save", type=Path, help="folder for the finished pictures")
    parser.add_argument("--reach", action="store_true", help="drive the index by hand, scene by scene")
    asked = parser.parse_args()
    found = scenes(asked.width, asked.real, asked.kept, asked.only)
    if asked.reach:
        print_reach(found)
        return
    print("| scene | width | panopipe | fidelity, natural | " + " | ".join(RIVALS), end="")
    print(" | clipped % | card L* | turn | CPU s |")
    print("|" + "---|" * (8 + len(RIVALS)))
    results, last = [], None
    for scene in found:
        results.append(measured(scene, asked.save))
        print_scene(results[-1], scene.rows.shape[1])
        last = scene.rows
    if last is None:
        parser.error(f"no scene begins with {', '.join(asked.only)}")
    print()
    print_verdicts(results)
    print_halo()
    print_closure()
    print_chart()
    print_neutral(last)
    print_speed(last)


if __name__ == "__main__":
    main()
