"""Measure what is found under the camera, on supports of many kinds: `python -m tests.benchmarks.support`.

Ray-traced supports (tests/scenes/supports.py) on generated floors under several lights, one frame a job and
eight frames a job. Prints, for each support, how much of support and shadow (from 3 % of light, out to 22
degrees; thin shadows further out are rebuilt and not counted here) is not covered, how much floor is
covered needlessly over the true area, how often nothing was found, and CPU a frame. The same floors without a
support must give nothing. Supports, floors and lights marked * are a set that nothing was tuned on.
"""

from __future__ import annotations

import argparse
import itertools
import time

import numpy as np
from numpy.typing import NDArray

from panopipe.studies.floor.footprint import Footprint, RingMap, find_footprint, ring_map
from tests.scenes.floors import FLOORS, HELD_OUT, Stand, _floor_point, _sensor_noise, _to_metres
from tests.scenes.supports import (
    HELD_OUT_LIGHTS,
    HELD_OUT_SUPPORTS,
    LIGHTS,
    SUPPORTS,
    Rendered,
    render,
)

Picture = NDArray[np.float32]
WIDTH, SURE = 1024, 0.5
ALL = {**FLOORS, **HELD_OUT}
CHOSEN = ("planks", "square tiles", "hexagonal tiles", "terrazzo", "carpet", "rug edge", "deck",
          "herringbone", "striped rug", "brick")  # fmt: skip
HELD_OUT_FLOORS = ("herringbone", "striped rug", "brick")


def main() -> None:
    """Run what the command line asks for."""
    options = _options()
    everything: list[tuple[bool, float, float, bool]] = []
    false_alarms, seconds = 0, []
    print("support          light            missed mean worst  taken mean worst  not found (of)")
    for name, light in itertools.product(options.supports, options.lights):
        rendered = render(SUPPORTS[name](), LIGHTS[light](), width=WIDTH)
        rows = []
        for job in _jobs(options, rendered, light):
            began = time.process_time()
            maps = [ring_map(frame) for frame, _, _ in job]
            found = find_footprint(maps)
            seconds.append((time.process_time() - began) / len(job))
            rows += [
                (one.certainty >= SURE, *_errors(one, true))
                for one, (_, true, _) in zip(found, job, strict=True)
            ]
            false_alarms += _false_alarms([bare for _, _, bare in job]) if options.bare else 0
        mark = "*" if name in HELD_OUT_SUPPORTS else " "
        also = "*" if light in HELD_OUT_LIGHTS else " "
        print(f"{name + mark:16s} {light + also:16s} {_row(rows)}", flush=True)
        held = name in HELD_OUT_SUPPORTS or light in HELD_OUT_LIGHTS
        everything += [(held, missed, taken, sure) for sure, missed, taken in rows]
    for title, held in (("tuned on", False), ("not tuned on", True)):
        part = [(sure, missed, taken) for kept, missed, taken, sure in everything if kept == held]
        if part:
            print(f"{title:34s}{_row(part)}")
    print(f"floors without support that were taken for one: {false_alarms}")
    print(f"CPU ms a frame: {1000 * np.mean(seconds):.0f}")


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--supports", nargs="+", default=list(SUPPORTS), choices=list(SUPPORTS))
    parser.add_argument("--lights", nargs="+", default=list(LIGHTS), choices=list(LIGHTS))
    parser.add_argument("--floors", nargs="+", default=list(CHOSEN), choices=list(ALL))
    parser.add_argument("--frames", type=int, default=1, choices=(1, 8), help="frames a job")
    parser.add_argument("--bare", action="store_true", help="also the same floors without a support")
    return parser.parse_args()


def _jobs(options: argparse.Namespace, rendered: Rendered, light: str):
    """Frames with their truth and without the support, as jobs."""
    frames = [
        _frame(rendered, name, seed, noise=LIGHTS[light]().noise) for seed, name in enumerate(options.floors)
    ]
    return [frames[:8]] if options.frames == 8 else [[frame] for frame in frames]


def _frame(rendered: Rendered, floor: str, seed: int, *, noise: float):
    """A frame, where support and shadow are, and the frame without them; turned by some columns."""
    rng = np.random.default_rng((seed, len(floor)))
    reach = 0.1 if "rug" in floor else 1.0
    stand = Stand(*rng.uniform(-reach, reach, 2), 1.5, rng.uniform(0, 360))
    turn, first = int(rng.integers(WIDTH)), rendered.first
    albedo = np.mean(
        [
            ALL[floor]()(*_to_metres(*_floor_point(WIDTH, first, by, by), stand)) for by in (-0.25, 0.25)
        ],
        axis=0,
    )  # fmt: skip
    light, left, body, cover = (
        np.roll(part, turn, axis=1) for part in (rendered.light, rendered.left, rendered.body, rendered.cover)
    )
    bare = albedo * light
    seen = bare * left * (1 - cover[..., None]) + body * cover[..., None]
    grain = _sensor_noise(WIDTH, first, seed) * noise
    # Six by six sensor pixels are one of the reduced frame.
    frames = [
        _whole(one + grain * np.sqrt(1e-6 + 1.2e-4 * np.maximum(one, 0)) / 6, first) for one in (seen, bare)
    ]
    true = np.zeros((WIDTH // 2, WIDTH), np.bool_)
    true[first:] = (cover > 0.1) | (left @ np.array((0.26, 0.68, 0.06)) < 0.97)
    return frames[0], true, frames[1]


def _whole(rows: Picture, first: int) -> Picture:
    frame = np.full((WIDTH // 2, WIDTH, 3), 0.3, np.float32)
    frame[first:] = np.maximum(rows, 0)
    return frame


def _errors(found: Footprint, true: NDArray[np.bool_]) -> tuple[float, float]:
    """Share of support and shadow not covered, and floor covered over their area, by solid angle."""
    height = WIDTH // 2
    angle = (height - np.arange(height) - 0.5) * 180 / height
    yaw = (np.arange(WIDTH) + 0.5) * 360 / WIDTH
    reach = np.interp(yaw, np.arange(360) + 0.5, found.outline.grown(0.5).radius_deg, period=360)
    covered = angle[:, None] < reach
    for shadow in found.shadows:
        far, turn = np.tan(np.radians(np.minimum(angle, 89)))[:, None], np.radians(yaw - 180 - shadow.yaw_deg)
        aside = np.abs(far * np.sin(turn) - shadow.offset)
        inside = aside < 1.9 * (shadow.half + shadow.widening * far)
        covered |= inside & (np.cos(turn) > 0) & (far < 1.3 * shadow.reach)
    near = (np.sin(np.radians(angle)) * (angle < 22))[:, None]
    area = (near * true).sum()
    return float((near * (true & ~covered)).sum() / area), float((near * (covered & ~true)).sum() / area)


def _false_alarms(frames: list[Picture]) -> int:
    maps: list[RingMap] = [ring_map(frame) for frame in frames]
    return sum(one.certainty >= SURE for one in find_footprint(maps))


def _row(rows: list[tuple[bool, float, float]]) -> str:
    missed, taken = np.array([row[1] for row in rows]), np.array([row[2] for row in rows])
    lost = sum(not row[0] for row in rows)
    return (
        f"{missed.mean():11.1%} {missed.max():5.1%}  {taken.mean():10.0%} {taken.max():5.0%}  "
        f"{lost:9d} ({len(rows)})"
    )


if __name__ == "__main__":
    main()
