"""Measure the look at the filled floor: `python -m tests.benchmarks.flaws`.

Floors are drawn with and without a monopod. Good ones are the floor as it is, with a hole that nothing was
done to, and the stage's own fill. Made faults are put into one of the two: an arc of the foot, a crescent of
shadow, a piece of the pole's shadow, pieces from elsewhere (scrambled), a smear, a half moved aside (torn),
and the floor as a neighbour sees it from afar (stretched). Prints how many of each are found and how many
good ones are flagged, for the floors by which the bars were set and for those marked *, on which the measures
were not built; scrambled and torn only where the floor has a pattern to break.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import SRGB_FROM_WORKING
from panopipe.colour.transfer import srgb_decode, srgb_encode
from panopipe.sphere.views import frame_focal_px, straight_down, view_from_frame
from panopipe.studies.floor.edge import Edge
from panopipe.studies.floor.edge_search import floor_edge
from panopipe.studies.floor.extent import floor_extent
from panopipe.studies.floor.fill import fill_floor
from panopipe.studies.floor.flaws import BARS, flaws
from panopipe.studies.floor.graft import graft
from tests.scenes.floors import FLOORS, HELD_OUT, Foot, Stand, see
from tests.scenes.laid_floors import LAID

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]
Fault = Callable[[Picture, Mask, np.random.Generator], Picture]

ALL = {**FLOORS, **HELD_OUT, **LAID}
ONLY_MEASURED = {*HELD_OUT, "grey boards", "rug on parquet", "plain rug", "block parquet"}
NO_PATTERN = {"terrazzo", "carpet", "gravel", "speckled lino"}
FOOT_DEG, SURROUNDINGS = 10.0, 2.8


def _places(hole: Mask) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Rows and columns from the hole's middle, and its radius."""
    at = np.argwhere(hole)
    middle = (at.min(0) + at.max(0)) / 2
    rows, columns = np.indices(hole.shape, np.float64)
    return rows - middle[0], columns - middle[1], math.sqrt(hole.sum() / math.pi)


def _soft(distance: NDArray[np.float64], width: float) -> NDArray[np.float64]:
    return np.clip(0.5 - distance / width, 0, 1)


def _darkened(floor: Picture, loss: NDArray[np.float64]) -> Picture:
    return np.asarray(floor * (1 - loss[..., None]), np.float32)


def arc(floor: Picture, hole: Mask, rng: np.random.Generator) -> Picture:
    """A piece of the foot's rim, 4 to 9 % of its radius wide, that takes a fifth to 70 % of the light."""
    y, x, radius = _places(hole)
    middle, span = rng.uniform(-np.pi, np.pi), rng.uniform(0.4, 1.5)
    at, width = radius * rng.uniform(0.98, 1.12), radius * rng.uniform(0.04, 0.09)
    turn = np.abs((np.arctan2(y, x) - middle + np.pi) % (2 * np.pi) - np.pi)
    ring = _soft(np.abs(np.hypot(y, x) - at) - width / 2, 1.5)
    return _darkened(floor, ring * _soft((turn - span / 2) * radius, radius * 0.08) * rng.uniform(0.2, 0.7))


def crescent(floor: Picture, hole: Mask, rng: np.random.Generator) -> Picture:
    """A crescent at the rim, as of a contact shadow, that takes 12 to 40 % of the light."""
    y, x, radius = _places(hole)
    turn, moved = rng.uniform(0, 2 * np.pi), radius * rng.uniform(0.1, 0.3)
    inner = np.hypot(y, x) - 1.1 * radius
    outer = np.hypot(y - moved * np.sin(turn), x - moved * np.cos(turn)) - 1.1 * radius
    loss = _soft(inner, 0.08 * radius) * (1 - _soft(outer, 0.08 * radius)) * rng.uniform(0.12, 0.4)
    return _darkened(floor, loss)


def shadow(floor: Picture, hole: Mask, rng: np.random.Generator) -> Picture:
    """A piece of the pole's shadow out of the hole that takes 6 to 30 % of the light."""
    y, x, radius = _places(hole)
    turn = rng.uniform(0, 2 * np.pi)
    along, aside = np.cos(turn) * x + np.sin(turn) * y, np.cos(turn) * y - np.sin(turn) * x
    width, length = radius * rng.uniform(0.06, 0.14), radius * rng.uniform(1.8, 2.8)
    ends = _soft(0.95 * radius - along, 2) * _soft(along - length, 0.2 * radius)
    return _darkened(floor, np.exp(-np.square(aside / width)) * ends * rng.uniform(0.06, 0.3))


def scrambled(floor: Picture, hole: Mask, rng: np.random.Generator) -> Picture:
    """Three to five pieces in the hole from anywhere in the floor around."""
    y, x, radius = _places(hole)
    filled, size = floor.copy(), len(hole)
    for _ in range(int(rng.integers(3, 6))):
        high, wide = (int(radius * rng.uniform(0.25, 0.6)) for _ in range(2))
        at = np.argwhere(hole & (np.hypot(y, x) < 0.75 * radius))
        row, column = at[rng.integers(len(at))] - (high // 2, wide // 2)
        for _ in range(40):
            top, left = rng.integers(0, size - high), rng.integers(0, size - wide)
            if not hole[top : top + high, left : left + wide].any():
                break
        box = np.s_[row : row + high, column : column + wide]
        filled[box] = np.where(hole[box][..., None], floor[top : top + high, left : left + wide], filled[box])
    return filled


def smear(floor: Picture, hole: Mask, rng: np.random.Generator) -> Picture:
    """A disc of a third to four fifths of the hole, inpainted by one of OpenCV's two methods."""
    y, x, radius = _places(hole)
    part, turn = rng.uniform(0.35, 0.8), rng.uniform(0, 2 * np.pi)
    moved = rng.uniform(0, 0.9 - part) * radius
    disc = (np.hypot(y - moved * np.sin(turn), x - moved * np.cos(turn)) < part * radius) & hole
    codes = np.round(srgb_encode(np.clip(floor @ SRGB_FROM_WORKING.T, 0, 1)) * 255).astype(np.uint8)
    method = (cv2.INPAINT_TELEA, cv2.INPAINT_NS)[rng.integers(2)]
    painted = cv2.inpaint(codes, disc.astype(np.uint8) * 255, 5, method) / np.float32(255)
    light = srgb_decode(painted) @ np.linalg.inv(SRGB_FROM_WORKING).T
    return np.where(disc[..., None], light, floor).astype(np.float32)


def stretched(floor: Picture, hole: Mask, rng: np.random.Generator) -> Picture:
    """The hole as a frame shows it that stands 1.2 to 2.2 camera heights away: smeared along its way."""
    turn, away = rng.uniform(0, np.pi), rng.uniform(1.2, 2.2)
    # A pixel of it spans so many of this view, and its place between four is a triangle's.
    along, across = (one / math.sqrt(6) for one in (1 + away**2, math.hypot(1, away)))
    y, x = np.indices((2 * math.ceil(3 * along) + 1,) * 2) - math.ceil(3 * along)
    forward, aside = np.cos(turn) * x + np.sin(turn) * y, np.cos(turn) * y - np.sin(turn) * x
    kernel = np.exp(-np.square(forward / along) / 2 - np.square(aside / across) / 2)
    return graft(floor, hole, cv2.filter2D(floor, -1, (kernel / kernel.sum()).astype(np.float32)))


def torn(floor: Picture, hole: Mask, rng: np.random.Generator) -> Picture:
    """Half of the hole moved aside by 15 to 40 % of its radius."""
    y, x, radius = _places(hole)
    turn, towards, by = *rng.uniform(0, 2 * np.pi, 2), radius * rng.uniform(0.15, 0.4)
    steps = round(by * np.sin(towards)), round(by * np.cos(towards))
    half = (np.cos(turn) * x + np.sin(turn) * y < 0) & hole
    return np.where(half[..., None], np.roll(floor, steps, (0, 1)), floor)


FAULTS: dict[str, Fault] = {
    fault.__name__: fault for fault in (arc, crescent, shadow, scrambled, smear, torn, stretched)
}


def floor_and_fill(name: str, seed: int, width: int) -> tuple[Picture, Picture, Mask, Edge | None]:
    """A floor seen straight down, the same as the stage fills it, the hole, and the edge in it."""
    rng = np.random.default_rng((seed, *name.encode()))
    heading, light = rng.uniform(0, 360, 2)
    laid = name in LAID or name == "rug edge"
    x, y = rng.uniform(-0.05, 0.05, 2) if laid else rng.uniform(0, 3, 2)
    gloss = 0.12 if name == "polished" else 0.0
    stand = Stand(float(x), float(y), 1.5, heading, light, gloss, seed=seed + 1)
    seen = see(ALL[name](), stand, Foot(FOOT_DEG), width=width, top_pitch_deg=-38)
    focal_px = frame_focal_px(width)
    reach = SURROUNDINGS * math.tan(math.radians(1.25 * FOOT_DEG + 0.5))
    view = straight_down(2 * int(min(reach, 0.8) * focal_px), focal_px)

    def draw(rows: Picture) -> Picture:
        return view_from_frame(np.ascontiguousarray(rows, np.float32), seen.first, view)

    bare, with_foot = draw(seen.bare), draw(seen.rows)
    covered = draw((seen.foot | seen.shadow).astype(np.float32)) > 0.02
    hole = cv2.dilate(covered.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    extent = floor_extent(with_foot, hole)
    edge = floor_edge(with_foot, np.ones_like(hole), hole)
    filled = fill_floor(with_foot, extent.floor, hole, unlike=extent.unlike, edge=edge)
    return bare, with_foot if filled is None else filled.picture, hole, edge


def main() -> None:
    """Run what the command line asks for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--width", type=int, default=2048)
    parser.add_argument("--seeds", type=int, default=3, help="stands and faults a floor")
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--floors", nargs="+", default=list(ALL), choices=list(ALL))
    options = parser.parse_args()
    kinds = ("whole", "filled", *FAULTS)
    total = {measured: {kind: [0, 0] for kind in kinds} for measured in (False, True)}
    seconds, looks = 0.0, 0
    print(
        f"{options.width} x {options.width // 2}\nfloor             "
        + " ".join(f"{kind:>9s}" for kind in kinds)
    )
    for name in options.floors:
        counts = {kind: [0, 0] for kind in kinds}
        for seed in range(options.first_seed, options.first_seed + options.seeds):
            bare, filled, hole, edge = floor_and_fill(name, seed, options.width)
            pictures = {"whole": bare, "filled": filled}
            for number, (kind, fault) in enumerate(FAULTS.items()):
                if kind in ("scrambled", "torn") and name in NO_PATTERN:
                    continue
                rng = np.random.default_rng((seed, number, *name.encode()))
                pictures[kind] = fault(filled if seed % 2 else bare, hole, rng)
            for kind, picture in pictures.items():
                began = time.process_time()
                found = flaws(picture, hole, edge)
                seconds, looks = seconds + time.process_time() - began, looks + 1
                counts[kind][0] += any(found[flaw][0] >= bar for flaw, bar in BARS.items())
                counts[kind][1] += 1
        for kind in kinds:
            for at in (0, 1):
                total[name in ONLY_MEASURED][kind][at] += counts[kind][at]
        print(_row(name + ("*" if name in ONLY_MEASURED else ""), counts), flush=True)
    for measured, counts in total.items():
        print(_row("only measured *" if measured else "set by", counts, share=True))
    print(f"CPU ms a look: {1000 * seconds / looks:.0f}")


def _row(name: str, counts: dict[str, list[int]], *, share: bool = False) -> str:
    cells = [
        "-" if not all_ else f"{found / all_:.0%} of {all_}" if share else f"{found}/{all_}"
        for found, all_ in counts.values()
    ]
    return f"{name:17s} " + " ".join(f"{cell:>9s}" for cell in cells)


if __name__ == "__main__":
    main()
