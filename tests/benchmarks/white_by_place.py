"""White where lamp meets window: `python -m tests.benchmarks.white_by_place PLACES [--keep JOB]`.

Photographs places of known light (see `tests.benchmarks.places`), finishes them with the default recipe,
but that nothing is moved, and measures the finished pictures against true white.

True white still holds what floor and walls bounce, and nobody minds whether that tint stays or goes: so what
counts of white paint and of grey cards is the distance in a*b*, at the luminance of the finished picture,
from the stretch between neutral and true white. Walls and things keep their hue and chroma.
"""

from __future__ import annotations

import argparse
import itertools
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from PIL import Image
from skimage.color import deltaE_ciede2000 as delta_e_2000

from panopipe.colour.lab import lab_from_xyz
from tests.benchmarks.places import (
    LAMP,
    LUMINANCE_709,
    OUTSIDE,
    PAINT,
    THING,
    WALL,
    Array,
    Cells,
    Place,
    eroded,
    photograph,
    places,
)
from tests.makers.camera import XYZ_FROM_709
from tests.makers.place_job import IN_PLACE

WHITE = XYZ_FROM_709.sum(axis=1)
COLOURED = 10.0
"""C*ab of true white, at the luminance of the finished picture, from where a surface has a hue to keep."""
SHOWN = (15.0, 97.0)
"""L* between which colours are judged."""
BRIGHT = 85.0
NEAR_DEG = 1.5
"""Paint this near to lamps and windows is left out: their glare lies on it."""


@dataclass(frozen=True)
class Figures:
    """What is measured of one finished frame; distances and chroma in CIELAB."""

    paint: tuple[float, float]
    paint_chroma: tuple[float, float]
    cards: tuple[float, float]
    hue_deg: float
    chroma_ratio: float
    lamps: tuple[float, float, float]
    mottle: tuple[float, float]
    card_labs: Sequence[Array]


def linear(codes: Array) -> Array:
    """Linear light of sRGB, 0 to 1 (IEC 61966-2-1)."""
    return np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4)


def lab(rgb: Array) -> Array:
    """CIELAB of linear Rec.709."""
    return np.asarray(lab_from_xyz(rgb @ XYZ_FROM_709.T, WHITE))


def at_luminance(rgb: Array, luminance: Array) -> Array:
    """CIELAB of colours brought to a luminance."""
    own = np.maximum(rgb @ LUMINANCE_709, 1e-9)
    return lab(rgb * (luminance / own)[..., None])


def off_stretch(seen: Array, true: Array) -> Array:
    """Distance in a*b* of colours from the stretch between neutral and true white."""
    a, b = seen[..., 1:], true[..., 1:]
    along = np.sum(a * b, axis=-1) / np.maximum(np.sum(b * b, axis=-1), 1e-9)
    return np.asarray(np.linalg.norm(a - np.clip(along, 0, 1)[..., None] * b, axis=-1))


def measured(place: Place, finished: Array) -> Figures:
    """Measure a finished picture, linear Rec.709, of the place's size."""
    luminance = np.maximum(finished @ LUMINANCE_709, 1e-6)
    seen, true = lab(finished), at_luminance(place.true_white, luminance)
    area = np.sin((np.arange(len(seen)) + 0.5) / len(seen) * np.pi)[:, None] * np.ones(seen.shape[1])
    shown = (seen[..., 0] > SHOWN[0]) & (seen[..., 0] < SHOWN[1])
    paint = (place.labels == PAINT) & shown & ~near(np.isin(place.labels, (OUTSIDE, LAMP)))
    far = off_stretch(seen, true)
    chroma = np.hypot(seen[..., 1], seen[..., 2])
    hue, ratio = colours_kept(seen, true, area, np.isin(place.labels, (WALL, THING)) & shown)
    cards = [finished[card].mean(axis=0) for card in place.cards]
    trues = [place.true_white[card].mean(axis=0) for card in place.cards]
    away = [
        float(off_stretch(lab(card), at_luminance(one, card @ LUMINANCE_709)))
        for card, one in zip(cards, trues, strict=True)
    ]
    return Figures(
        shares(far[paint], area[paint]),
        shares(chroma[paint], area[paint]),
        (float(np.mean(away)), float(np.max(away))) if away else (np.nan, np.nan),
        hue,
        ratio,
        lamp_colours(seen, place.labels),
        mottle(seen, place.labels),
        [at_luminance(card, np.array(0.2812)) for card in cards],
    )


def near(cells: Cells) -> Cells:
    """Cells and what lies near them."""
    reach = round(NEAR_DEG / 180 * len(cells))
    wide = np.concatenate([cells[:, -reach:], cells, cells[:, :reach]], axis=1).astype(np.uint8)
    grown = cv2.dilate(wide, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8))
    return np.asarray(grown[:, reach:-reach] > 0)


def shares(values: Array, weight: Array) -> tuple[float, float]:
    """Median and 90th percentile."""
    if not values.size:
        return np.nan, np.nan
    order = np.argsort(values)
    running = np.cumsum(weight[order]) / weight.sum()
    middle, high = (float(values[order][np.searchsorted(running, share)]) for share in (0.5, 0.9))
    return middle, high


def colours_kept(seen: Array, true: Array, area: Array, cells: Cells) -> tuple[float, float]:
    """Mean hue error in degrees and ratio of mean chroma, of what has a hue."""
    own, shown = (np.hypot(one[..., 1], one[..., 2]) for one in (true, seen))
    cells = cells & (own > COLOURED)
    if not cells.any():
        return np.nan, np.nan
    turn = np.angle((seen[..., 1] + 1j * seen[..., 2]) * (true[..., 1] - 1j * true[..., 2]), deg=True)
    weight = area[cells]
    ratio = float(np.sum(shown[cells] * weight) / np.sum(own[cells] * weight))
    return float(np.average(np.abs(turn[cells]), weights=weight)), ratio


def lamp_colours(seen: Array, labels: Array) -> tuple[float, float, float]:
    """C*ab of bright lamps and windows, median and 90th percentile; percent green to blue over C* 3."""
    cells = np.isin(labels, (LAMP, OUTSIDE)) & (seen[..., 0] > BRIGHT)
    if not cells.any():
        return np.nan, np.nan, np.nan
    a, b = seen[cells][:, 1], seen[cells][:, 2]
    chroma, hue = np.hypot(a, b), np.degrees(np.arctan2(b, a)) % 360
    cold = (chroma > 3) & (hue > 135) & (hue < 300)
    middle, high = shares(chroma, np.ones(len(chroma)))
    return middle, high, float(100 * cold.mean())


def mottle(seen: Array, labels: Array) -> tuple[float, float]:
    """Standard deviation of a* and b* on white ceilings between 1.5 and 12 px of a frame of 2048."""
    size = 2048 / seen.shape[1]
    ceiling = (labels == PAINT) & (np.arange(len(seen)) < 0.3 * len(seen))[:, None]
    for _ in range(round(15 / size)):
        ceiling = eroded(ceiling)
    if not ceiling.any():
        return np.nan, np.nan
    band = [
        cv2.GaussianBlur(seen[..., k], (0, 0), 1.5 / size) - cv2.GaussianBlur(seen[..., k], (0, 0), 12 / size)
        for k in (1, 2)
    ]
    return float(band[0][ceiling].std()), float(band[1][ceiling].std())


def finished_picture(path: Path, size: tuple[int, int]) -> Array:
    """Linear light of a finished file at the size of the truth."""
    with Image.open(path) as picture:
        light = linear(np.asarray(picture, np.float64) / 255)
    return np.asarray(cv2.resize(light, size, interpolation=cv2.INTER_AREA))


def finish(every: Sequence[Place], job: Path, sensor: str, headroom_ev: float) -> None:
    """Photograph places into a job and run it with the default recipe, but that nothing is moved."""
    for seed, place in enumerate(every):
        path = job / "originals" / place.name / f"{place.name}-01.dng"
        photograph(place, path, sensor=sensor, headroom_ev=headroom_ev, seed=seed)
    (job / "recipe.toml").write_text(IN_PLACE, encoding="utf-8")
    command = [sys.executable, "-m", "panopipe", "run", str(job)]
    subprocess.run(command, check=False, stdout=subprocess.DEVNULL)


def show(found: Sequence[tuple[Place, Figures]]) -> None:
    """Print the table."""
    print("paint, cards: distance in a*b* from the stretch between neutral and true white; lamps: bright")
    print("ones and windows; cold: percent of them between green and blue above C* 3; mottle of ceilings:")
    print("std of a*, b*\n")
    print(
        f"{'place':22s} {'paint 50/90':>12s} {'C*ab 50/90':>12s} {'cards mean/most':>15s} {'hue':>5s}"
        f" {'chroma':>6s} {'lamps 50/90/cold':>17s} {'mottle':>10s}"
    )
    for place, one in found:
        print(
            f"{place.name[:22]:22s} {one.paint[0]:6.1f}{one.paint[1]:6.1f} {one.paint_chroma[0]:6.1f}"
            f"{one.paint_chroma[1]:6.1f} {one.cards[0]:8.1f}{one.cards[1]:7.1f} {one.hue_deg:5.1f}"
            f" {one.chroma_ratio:6.2f} {one.lamps[0]:6.1f}{one.lamps[1]:6.1f}{one.lamps[2]:5.0f}"
            f" {one.mottle[0]:5.2f}{one.mottle[1]:5.2f}"
        )
    labs = [(place.name, card) for place, one in found for card in one.card_labs if place.kind != "outdoors"]
    if len(labs) > 1:
        pairs = {(a[0], b[0]): float(delta_e_2000(a[1], b[1])) for a, b in itertools.combinations(labs, 2)}
        worst = max(pairs, key=lambda pair: pairs[pair])
        print(
            f"\nlargest delta E 2000 between any two cards at one L*: {pairs[worst]:.1f} ({' '.join(worst)})"
        )


def main() -> None:
    """Photograph, finish, measure."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("places", type=Path, nargs="+", help="folders of places")
    parser.add_argument(
        "--keep", type=Path, help="job folder to make and keep (default: one that goes again)"
    )
    parser.add_argument(
        "--finished", action="store_true", help="measure what stands in the job folder already"
    )
    parser.add_argument("--only", nargs="*", help="names of places")
    parser.add_argument("--sensor", choices=("clean", "small"), default="clean")
    parser.add_argument(
        "--headroom-ev", type=float, default=3.5, help="3.5: one exposure; 7: a merged bracket"
    )
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        job = options.keep or Path(folder)
        every = [place for one in options.places for place in places(one)]
        every = [place for place in every if not options.only or place.name in options.only]
        if not options.finished:
            finish(every, job, options.sensor, options.headroom_ev)
        size = [(place.labels.shape[1], place.labels.shape[0]) for place in every]
        finished = [job / "finished" / place.name / f"{place.name}-01.jpg" for place in every]
        show(
            [
                (place, measured(place, finished_picture(path, at)))
                for place, path, at in zip(every, finished, size, strict=True)
            ]
        )


if __name__ == "__main__":
    main()
