"""Whites and views: `python -m tests.benchmarks.views PLACE... [--file merged] [--noise clean] [--save DIR]`.

PLACE is a folder that `python -m tests.scenes.places` wrote. All become one job, which runs with the
default recipe (but nadir and level: nothing stands in them, and they stand upright). Of each finished
picture the table says: L* of white paint; how much darker an 18 % card is than paint in the same light; and
of the view outside its lightness, its likeness to the view exposed and white-balanced for itself (by its
median alone, and held by its 98th percentile), and its greens and skies against the latter: saturation is
C*ab by L*, since the same colours have more chroma where they are lighter. `--save` keeps each picture and,
where there is a view, a crop of it beside that reference. It measures; it asserts nothing.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.color import rgb2lab
from skimage.metrics import structural_similarity

from panopipe.colour.transfer import srgb_encode
from panopipe.sphere.geometry import pixel_solid_angle
from tests.makers.place_job import HEADROOM_EV, SENSORS, write_job
from tests.scenes.place import (
    CEILING,
    EXTERIOR,
    GREY_CARD,
    LAMP,
    LUMINANCE,
    PAINT,
    WHITE_CARD,
    Place,
    read_place,
)

Picture = NDArray[np.float64]
Mask = NDArray[np.bool_]

MEDIAN_L, BRIGHTEST_L, UNHELD_L = 72.0, 92.0, 1000.0
"""A view exposed for itself: L* of its median, or of its 98th percentile if that would be brighter; a
limit for the latter that holds nothing."""
SAME_LIGHT_EV = 0.15
"""Paint whose light differs from that on a card by no more is in the same light."""
CLIPPED = 16.0
"""Light, white being 1, that no file of one exposure with 3 EV above white holds in any plane."""
COLOURED = 8.0
"""C*ab from which a colour of the view has a hue."""
MOTTLE_PX = (1.5, 12.0)
"""Finest and coarsest standard deviation of the clouds that count as mottle."""


@dataclass(frozen=True)
class View:
    """The outside: finished, and against itself exposed and balanced alone."""

    median: float
    above_97: float
    likeness: tuple[float, float]
    saturation: float
    hue_deg: float
    over_paint: float


def widened(mask: Mask, pixels: int) -> Mask:
    """Everything within some pixels of a mask."""
    return np.asarray(cv2.dilate(mask.astype(np.uint8), np.ones((2 * pixels + 1,) * 2, np.uint8)) > 0)


def narrowed(mask: Mask, pixels: int) -> Mask:
    """What of a mask lies deeper than some pixels."""
    return ~widened(~mask, pixels)


def paint_of(place: Place) -> Mask:
    """White paint, away from lamps and windows, whose glare and frames are no paint."""
    return np.asarray((place.labels == PAINT) & ~widened(np.isin(place.labels, (EXTERIOR, LAMP)), 4))


def percentiles(values: Picture, mask: Mask, wanted: tuple[float, ...]) -> list[float]:
    """Percentiles by solid angle."""
    weight = np.broadcast_to(pixel_solid_angle(len(values))[:, None], values.shape)[mask]
    order = np.argsort(values[mask])
    heaped = np.cumsum(weight[order])
    return [float(v) for v in np.interp(np.array(wanted) / 100 * heaped[-1], heaped, values[mask][order])]


def below_paint(place: Place, lightness: Picture) -> list[float]:
    """How much darker each 18 % card is than the white paint that the same light falls on."""
    light = np.log2(np.maximum(place.mixed @ LUMINANCE, 1e-9))
    paint, found = paint_of(place), []
    for label, card in place.cards().items():
        if not GREY_CARD <= label < WHITE_CARD:
            continue
        falls = np.log2(np.exp2(light[card]).mean() / 0.18 * 0.80)
        same = paint & (np.abs(light - falls) < SAME_LIGHT_EV)
        if same.sum() >= 50:
            found.append(float(np.median(lightness[same]) - np.median(lightness[card])))
    return found


def luminance_of(lightness: float) -> float:
    """Luminance of an L* (CIE 15), white being 1."""
    return float(((lightness + 16) / 116) ** 3)


def exposed_for_itself(place: Place, brightest: float = BRIGHTEST_L) -> Picture:
    """The view as a picture of its own: daylight white, one gain, sRGB codes."""
    light = place.true_white.astype(np.float64)
    luminance = (light @ LUMINANCE)[place.exterior]
    median, top = np.percentile(luminance, [50, 98])
    gain = min(luminance_of(MEDIAN_L) / median, luminance_of(brightest) / top)
    return np.asarray(srgb_encode(np.clip(gain * light, 0, 1)))


def likeness_of(place: Place, lab: Picture, brightest: float) -> Picture:
    """Structural similarity, by place, of the view with the view exposed for itself."""
    alone = rgb2lab(exposed_for_itself(place, brightest))
    alone[~place.exterior] = lab[~place.exterior]
    kind = {"data_range": 100, "gaussian_weights": True, "sigma": 1.5, "use_sample_covariance": False}
    _, likeness = structural_similarity(alone[..., 0], lab[..., 0], full=True, **kind)
    return np.asarray(likeness)


def view_of(place: Place, lab: Picture) -> View | None:
    """Measure the view; None if the place has none, or too small a one."""
    inner = narrowed(place.exterior, 1)
    if inner.sum() < 60 or all(told["kind"] != "daylight" for told in place.facts["lights"].values()):
        return None
    alone = rgb2lab(exposed_for_itself(place))
    likeness = [likeness_of(place, lab, brightest)[inner].mean() for brightest in (UNHELD_L, BRIGHTEST_L)]
    hue_alone, hue_shown = (np.arctan2(p[..., 2], p[..., 1]) for p in (alone, lab))
    chroma_alone, chroma_shown = (np.hypot(p[..., 1], p[..., 2]) for p in (alone, lab))
    coloured = inner & (chroma_alone > COLOURED)
    fuller = chroma_shown / np.maximum(lab[..., 0], 1) * alone[..., 0] / np.maximum(chroma_alone, 1)
    turned = np.abs(np.angle(np.exp(1j * (hue_shown - hue_alone)[coloured])))
    beside = paint_of(place) & widened(place.exterior, 40)
    shown = luminance_of(float(np.percentile(lab[inner][:, 0], 98)))
    return View(
        median=float(np.median(lab[inner][:, 0])),
        above_97=100 * float((lab[inner][:, 0] > 97).mean()),
        likeness=(float(likeness[0]), float(likeness[1])),
        saturation=float(np.median(fuller[coloured])) if coloured.any() else np.nan,
        hue_deg=float(np.degrees(turned.mean())) if coloured.any() else np.nan,
        over_paint=shown / luminance_of(float(np.median(lab[beside][:, 0]))) if beside.any() else np.nan,
    )


def mottle(place: Place, lab: Picture) -> list[float]:
    """Standard deviation of a* and b* on the ceiling, between two scales; nothing if it has none."""
    upper = (np.arange(len(lab)) < 0.3 * len(lab))[:, None]
    plain = narrowed(np.isin(place.labels, (PAINT, CEILING)) & upper, 12)
    plain[:12] = False  # at the pole columns stretch what is one point
    if plain.sum() < 500:
        return []
    fine, coarse = MOTTLE_PX
    clouds = cv2.GaussianBlur(lab, (0, 0), fine) - cv2.GaussianBlur(lab, (0, 0), coarse)
    return [float(clouds[plain][:, i].std()) for i in (1, 2)]


def lamps(place: Place, lab: Picture) -> str:
    """C*ab of bright lamps and of what clips outside, 90th percentile, and percent of them green to blue."""
    light = place.mixed @ LUMINANCE / place.white_level
    told = []
    for cells in (place.labels == LAMP, narrowed(place.exterior & (light > CLIPPED), 1)):
        bright = cells & (lab[..., 0] > 85)
        if bright.sum() < 20:
            told.append("-")
            continue
        a, b = lab[bright][:, 1], lab[bright][:, 2]
        hue = np.degrees(np.arctan2(b, a)) % 360
        cold = (np.hypot(a, b) > 3) & (hue > 135) & (hue < 300)
        told.append(f"{np.percentile(np.hypot(a, b), 90):.1f} {100 * cold.mean():.1f}")
    return ", ".join(told)


def print_place(place: Place, picture: Picture) -> None:
    """One line of the table."""
    lab = rgb2lab(picture)
    lightness = lab[..., 0]
    paint = paint_of(place)
    whites = percentiles(lightness, paint, (10, 50, 90, 99)) if paint.any() else []
    cards = below_paint(place, lightness)
    view = view_of(place, lab)
    told = f"| {place.name:12s} | " + " ".join(f"{value:.0f}" for value in whites) + " | "
    told += (f"{np.mean(cards):.0f} ({' '.join(f'{c:.0f}' for c in cards)})" if cards else "-") + " | "
    if view is None:
        told += "- | - | - | - | - "
    else:
        told += f"{view.median:.1f} | {view.above_97:.1f} | {view.likeness[0]:.3f} {view.likeness[1]:.3f} | "
        told += f"{view.saturation:.2f} {view.hue_deg:.0f} | {view.over_paint:.2f} "
    told += "| " + " ".join(f"{value:.2f}" for value in mottle(place, lab)) + " | " + lamps(place, lab) + " |"
    print(told, flush=True)


def save(folder: Path, place: Place, picture: Picture) -> None:
    """Keep the picture, and the view in it beside the view exposed for itself."""
    folder.mkdir(parents=True, exist_ok=True)

    def write(name: str, shown: Picture) -> None:
        codes = np.rint(np.clip(shown, 0, 1) * 255).astype(np.uint8)[..., ::-1]
        cv2.imwrite(str(folder / name), codes)

    write(f"{place.name}.png", picture)
    if not place.exterior.any() or place.exterior.mean() > 0.2:
        return
    half = picture.shape[1] // 2
    turn = half if place.exterior[:, 0].any() else 0  # a window at the cut stays whole
    where = np.argwhere(np.roll(place.exterior, turn, axis=1))
    (top, left), (bottom, right) = np.maximum(where.min(axis=0) - 12, 0), where.max(axis=0) + 12
    crop = [
        np.roll(shown, turn, axis=1)[top:bottom, left:right] for shown in (picture, exposed_for_itself(place))
    ]
    write(f"{place.name}-view.png", np.concatenate(crop, axis=1).repeat(3, axis=0).repeat(3, axis=1))


def main() -> None:
    """Photograph the places, finish them, measure."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("places", type=Path, nargs="+")
    parser.add_argument("--file", choices=list(HEADROOM_EV), default="merged")
    parser.add_argument("--noise", choices=list(SENSORS), default="clean")
    parser.add_argument("--save", type=Path, help="folder for the finished pictures and crops of their views")
    asked = parser.parse_args()
    places = [read_place(folder) for folder in asked.places]
    with tempfile.TemporaryDirectory() as folder:
        job = write_job(places, Path(folder) / "job", file=asked.file, noise=asked.noise)
        command = [sys.executable, "-m", "panopipe", "run", str(job)]
        subprocess.run(command, check=False, stdout=subprocess.DEVNULL)  # 1: a frame wants a look
        print(f"{asked.file} files, {asked.noise} sensor")
        print("| place | paint L* 10 50 90 99 | card below paint (each) | view L* | above 97, % ", end="")
        print("| likeness | saturation, hue deg | 98th / paint | mottle a* b* ", end="")
        print("| lamps, clipped views: C*ab 90, cold % |\n|" + "---|" * 10)
        for place in places:
            finished = cv2.imread(str(job / "finished" / place.name / f"{place.name}-01.jpg"))
            if finished is None:
                print(f"| {place.name} | was not finished |")
                continue
            picture = finished[..., ::-1] / 255.0
            print_place(place, picture)
            if asked.save:
                save(asked.save, place, picture)


if __name__ == "__main__":
    main()
