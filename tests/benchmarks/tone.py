"""The tone table: ``python -m tests.benchmarks.tone [--real FOLDER] [--width 1024] [--save FOLDER]``.

Rendered places of every kind of light, the sample job, and radiance panoramas of a folder go through the
default tone and vibrance. Beside them stand OpenCV's tone mappers and its exposure fusion on the same views.
It measures; it asserts nothing.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.lab import lab_from_xyz
from panopipe.colour.spaces import (
    D65_XY,
    LUMINANCE_OF_WORKING,
    SRGB_FROM_WORKING,
    WORKING_FROM_SRGB,
    XYZ_FROM_SRGB,
    XYZ_FROM_WORKING,
    xyz_from_xy,
)
from panopipe.colour.transfer import srgb_encode
from panopipe.frame import Band, Frame, FrameFacts, FrameKey, Rows
from panopipe.sphere.anchor import anchor_column, anchor_rows
from panopipe.sphere.geometry import direction, pitch_of_row, pixel_solid_angle, yaw_of_column
from panopipe.sphere.reduce import AreaReducer
from panopipe.sphere.views import looking, view_from_frame
from panopipe.stage import Learned, Look, RowStage, stage
from panopipe.stages.tone import Tone, ToneSettings
from panopipe.stages.vibrance import Vibrance, VibranceSettings
from tests.benchmarks.real_light import read_light
from tests.benchmarks.tone_scenes import Scene, made_scenes, recorded
from tests.measures.closure import pole_ratio, seam_ratio
from tests.measures.halo import overshoot, step_frame
from tests.measures.tmqi import tmqi

BAND_ROWS = 16
SAMPLE = Path(__file__).parents[2] / "sample_job" / "originals"
LUMINANCE_OF_SRGB = XYZ_FROM_SRGB[1]
RIVALS = ("fusion", "Drago", "Mantiuk", "Reinhard")
Codes = NDArray[np.float64]


def finished(rows: Rows, tone: ToneSettings | None = None, vibrance: VibranceSettings | None = None) -> Rows:
    """Default tone and vibrance on a whole frame, read from its anchor column as the run does."""
    start = anchor_column(rows[row] for row in anchor_rows(rows.shape[0]))
    turned = np.ascontiguousarray(np.roll(rows, -start, axis=1))
    for step, settings in ((Tone(), tone or ToneSettings()), (Vibrance(), vibrance or VibranceSettings())):
        turned = _through(step, settings, turned)
    return np.roll(turned, start, axis=1)


def _through(step: RowStage[Any], settings: Any, rows: Rows) -> Rows:
    learned, facts = _learned(step, settings, rows)
    if learned.data is None:
        return rows
    parts = range(0, rows.shape[0], BAND_ROWS)
    bands = (Band(rows[first : first + BAND_ROWS].copy(), first, facts) for first in parts)
    return np.concatenate([step.apply(band, settings, learned.data) for band in bands])


def _learned(step: RowStage[Any], settings: Any, rows: Rows) -> tuple[Learned, FrameFacts]:
    height, width = rows.shape[:2]
    facts = FrameFacts(FrameKey("", "benchmark"), width, height)
    reducer = AreaReducer(width, height, min(1024, width))
    reducer.take(rows, 0)
    return step.learn(Look(Frame(reducer.result(), facts)), settings), facts


def scenes(width: int, real: Path | None) -> Iterator[Scene]:
    """All scenes that are at hand."""
    yield from made_scenes(width)
    source = stage("decode")
    for path in sorted(SAMPLE.rglob("*.dng")):
        key = FrameKey(path.parent.name, path.stem)
        with source.open([path], key, source.Settings()) as opened:  # type: ignore[attr-defined]
            yield Scene(path.stem, opened.read(0, opened.facts.height))
    for path in sorted(real.iterdir()) if real else ():
        if path.suffix.lower() in (".exr", ".hdr"):
            light = (read_light(path, None) @ WORKING_FROM_SRGB.T).astype(np.float32)
            yield Scene(path.stem, recorded(np.maximum(light, 0), clipped_share=0.004))


def views(rows: Rows) -> list[Codes]:
    """Four horizontal views of 90 degrees as linear sRGB, as fine as the frame but at most 512 pixels."""
    size = min(512, max(192, rows.shape[1] // 4))
    around = [looking(yaw, 0, field_deg=90, width=size) for yaw in (0, 90, 180, 270)]
    seen = (view_from_frame(rows, 0, view, kernel="linear") for view in around)
    return [picture.astype(np.float64) @ SRGB_FROM_WORKING.T for picture in seen]


def codes_of(linear_srgb: Codes) -> Codes:
    """Luminance of a picture in 8-bit codes."""
    return np.asarray(np.rint(srgb_encode(np.clip(linear_srgb, 0, 1)) * 255) @ LUMINANCE_OF_SRGB)


def rivals(view: Codes) -> dict[str, Codes]:
    """OpenCV's renderings of a view in 8-bit codes of luminance, with their defaults and gamma 2.2.

    Exposure fusion is given a bracket of -2, 0 and +2 EV about the view's median at middle grey.
    """
    light = np.ascontiguousarray(np.maximum(view, 0), dtype=np.float32)
    mappers: dict[str, Callable[[Any], Any]] = {
        "Drago": cv2.createTonemapDrago(2.2).process,
        "Mantiuk": cv2.createTonemapMantiuk(2.2).process,
        "Reinhard": cv2.createTonemapReinhard(2.2).process,
    }
    results = {name: mapper(light) for name, mapper in mappers.items()}
    middle = 0.18 / max(float(np.median(light @ LUMINANCE_OF_SRGB)), 1e-6)
    bracket = [srgb_encode(np.clip(light * middle * 2.0**ev, 0, 1)) * 255 for ev in (-2, 0, 2)]
    results["fusion"] = cv2.createMergeMertens().process([shot.astype(np.uint8) for shot in bracket])
    shown = {name: np.clip(np.nan_to_num(picture), 0, 1) for name, picture in results.items()}
    return {name: np.rint(picture * 255) @ LUMINANCE_OF_SRGB for name, picture in shown.items()}


def quality(before: Rows, after: Rows) -> dict[str, float]:
    """Mean index over the views, of panopipe and of each rival."""
    found: dict[str, list[float]] = {}
    for scene, rendering in zip(views(before), views(after), strict=True):
        luminance = np.maximum(scene @ LUMINANCE_OF_SRGB, 0)
        for name, codes in {"panopipe": codes_of(rendering), **rivals(scene)}.items():
            found.setdefault(name, []).append(tmqi(luminance, codes).index)
    return {name: float(np.mean(values)) for name, values in found.items()}


def clipped_percent(before: Rows, after: Rows) -> float:
    """Share of the sphere with any channel at code 255 where the raw is not clipped, in percent."""
    shown = (after.astype(np.float64) @ SRGB_FROM_WORKING.T).max(axis=-1) >= srgb_decode_of_255()
    lost = shown & (before.max(axis=-1) < 0.995)
    weight = pixel_solid_angle(before.shape[0])[:, None]
    return float(100 * (lost * weight).sum() / (weight.sum() * before.shape[1]))


def srgb_decode_of_255() -> float:
    """Linear light from which 8 bits say 255: code 254.5 by IEC 61966-2-1."""
    return float(((254.5 / 255 + 0.055) / 1.055) ** 2.4)


def card_lightness(scene: Scene, after: Rows) -> list[float]:
    """L* of the grey cards, by the median of each."""
    white = xyz_from_xy(D65_XY)
    colours = [np.median(after[mask], axis=0).astype(np.float64) for mask in scene.cards]
    return [float(lab_from_xyz(XYZ_FROM_WORKING @ colour, white)[0]) for colour in colours]


def print_scene(scene: Scene, save: Path | None) -> dict[str, float]:
    """One line of the table."""
    after = finished(scene.rows)
    marks = quality(scene.rows, after)
    cards = " ".join(f"{value:.0f}" for value in card_lightness(scene, after)) or "-"
    turned = np.roll(finished(np.roll(scene.rows, 333, axis=1)), -333, axis=1)
    print(
        f"| {scene.name:20s} | {marks['panopipe']:.3f} | "
        + " | ".join(f"{marks[name]:.3f}" for name in RIVALS)
        + f" | {clipped_percent(scene.rows, after):.2f} | {cards:7s} | {np.abs(turned - after).max():g} |",
        flush=True,
    )
    if save:
        picture = srgb_encode(np.clip(after.astype(np.float64) @ SRGB_FROM_WORKING.T, 0, 1))
        cv2.imwrite(str(save / f"{scene.name}.png"), np.rint(picture * 255).astype(np.uint8)[..., ::-1])
    return marks


def print_halo() -> None:
    """Overshoot beside steps of light, with the moves of a room that has a window."""
    settings = ToneSettings(0.0, -3.0, 1.0, 15.0, 3.0, -16.0, 20.0)
    for height_ev in (6.0, 3.0, 1.0):
        after = finished(step_frame(1024, dark=0.04, height_ev=height_ev), settings, VibranceSettings(0.0))
        dark, bright = overshoot(srgb_encode(np.clip(after[..., 1].astype(np.float64), 0, 1)))
        print(f"overshoot beside {height_ev:g} EV: {100 * dark:.2f} % dark, {100 * bright:.2f} % bright side")


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
    settings = ToneSettings(1.0, -3.0, 1.5, 15.0, 3.0, -16.0, 20.0)
    ratios = []
    for seed in range(trials):
        rows = waves(seed)
        toned = _through(Tone(), settings, rows)
        before, after = (np.log2(part @ LUMINANCE_OF_WORKING) for part in (rows, toned))
        ratios.append((seam_ratio(before, after), pole_ratio(before, after)))
    seam, pole = np.mean(ratios, axis=0)
    seam_error, pole_error = np.std(ratios, axis=0) / np.sqrt(trials)
    print(f"steps across the seam {seam:.3f} +- {seam_error:.3f}, the poles {pole:.3f} +- {pole_error:.3f}")


def print_neutral(rows: Rows) -> None:
    """Difference that neutral settings make."""
    neutral = ToneSettings(0.0, 0.0, 0.0, 0.0, 0.0, -16.0, 0.0)
    change = np.abs(finished(rows, neutral, VibranceSettings(0.0)) - rows).max()
    print(f"largest change by neutral settings: {change:g}")


def print_speed(rows: Rows) -> None:
    """CPU time of both stages on one thread, against a copy of the frame."""
    cv2.setNumThreads(1)
    wide = cv2.resize(rows, (6144, 1024), interpolation=cv2.INTER_LINEAR)
    megapixels = wide.shape[0] * wide.shape[1] / 1e6
    copying = _cpu_ms(wide.copy) / megapixels
    for step, settings in ((Tone(), ToneSettings()), (Vibrance(), VibranceSettings())):
        learned, facts = _learned(step, settings, rows)

        def work(
            step: Any = step, data: Any = learned.data, settings: Any = settings, facts: Any = facts
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
    parser.add_argument("--save", type=Path, help="folder for the finished pictures")
    asked = parser.parse_args()
    print("| scene | panopipe | " + " | ".join(RIVALS) + " | clipped % | card L* | turn |")
    print("|---|---|---|---|---|---|---|---|---|")
    marks, last = [], None
    for scene in scenes(asked.width, asked.real):
        marks.append(print_scene(scene, asked.save))
        last = scene
    print(f"mean index {np.mean([mark['panopipe'] for mark in marks]):.3f} over {len(marks)} scenes")
    for name in RIVALS:
        wins = sum(mark["panopipe"] > mark[name] for mark in marks)
        print(f"above {name} on {wins}, its mean {np.mean([mark[name] for mark in marks]):.3f}")
    print_halo()
    print_closure()
    if last is not None:
        print_neutral(last.rows)
        print_speed(last.rows)


if __name__ == "__main__":
    main()
