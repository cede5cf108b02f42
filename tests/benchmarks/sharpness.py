"""How much sharper edges become: `python -m tests.benchmarks.sharpness [--width W] [--blur B] [--noise N]`.

A grey sphere bears slanted edges at 0, 30, 60 and 80 degrees of pitch, along the meridian and along the
row, of 3 EV and of half an EV, blurred by a Gaussian that is the same in angle everywhere, with the noise
of a camera. It is finished twice by the default recipe, without and with sharpen. Of the finished codes,
made light again, the table says for each edge: the frequency at which half the contrast is left (MTF50,
cycles a pixel at the horizon), before and after, and its rise; how far the edge goes beyond its own
plateaus at 3 EV; and how much noise on the plain sphere grew. It measures; it asserts nothing.

MTF by the slanted edge of ISO 12233:2017: signed distance from the edge's true place, bins of a quarter of a
pixel, difference, Hamming window, Fourier transform, divided by the response of the difference.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from math import erf
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.transfer import srgb_decode
from panopipe.sphere.geometry import direction
from tests.makers.dng import write_linear_dng

Floats = NDArray[np.float64]

PITCHES_DEG = (0, 30, 60, 80)
GREY, CONTRASTS_EV = 0.12, (3.0, 1.0)
SLANT_DEG = 7.0
"""Between the 5 and 10 degrees of ISO 12233."""
PATCH_DEG = 4.0
"""Around an edge its light fades into the grey from here on, over as much again."""
PHOTONS, READING = 2e-5, 1e-7
"""Variance of a sample x is PHOTONS x + READING: a good camera at base sensitivity."""
BIN_PX, REACH_PX = 0.25, 12.0


@dataclass(frozen=True)
class Edge:
    """A great circle through a place, and the contrast across it."""

    yaw_deg: float
    pitch_deg: float
    along_row: bool
    contrast_ev: float

    def middle(self) -> Floats:
        """Direction of its middle."""
        return np.asarray(direction(np.float64(self.yaw_deg), np.float64(self.pitch_deg)), np.float64)

    def normal(self) -> Floats:
        """Pole of its great circle."""
        yaw, pitch = np.radians(self.yaw_deg), np.radians(self.pitch_deg)
        step = 1e-4
        east = direction(np.degrees(yaw + step), np.degrees(pitch)) - self.middle()
        north = direction(np.degrees(yaw), np.degrees(pitch - step)) - self.middle()
        east, north = (axis / np.linalg.norm(axis) for axis in (east, north))
        slant = np.radians(SLANT_DEG)
        one, other = (north, east) if self.along_row else (east, north)
        return np.asarray(np.cos(slant) * one + np.sin(slant) * other)


def edges() -> list[Edge]:
    """All edges, far from each other."""
    found, kinds = [], [(along, ev) for along in (False, True) for ev in CONTRASTS_EV]
    for number, pitch in enumerate(PITCHES_DEG):
        for at, (along, ev) in enumerate(kinds):
            found.append(Edge(90.0 * at - 135 + 20 * number, float(pitch), along, ev))
    return found


def others() -> list[Edge]:
    """Edges that a room has besides, which tell decode how soft it is; they are not measured."""
    return [Edge(15.0 * at, pitch, False, 3.0) for pitch in (-22.0, -38.0) for at in range(24)]


def rays(width: int) -> Floats:
    """Directions of the pixels."""
    yaw = ((np.arange(width) + 0.5) / width - 0.5) * 360
    pitch = (0.5 - (np.arange(width // 2) + 0.5) / (width // 2)) * 180
    return np.asarray(direction(yaw[None], pitch[:, None]), np.float64)


def sphere(width: int, blur_px: float) -> Floats:
    """Light of the sphere."""
    seen, per_radian = rays(width), width / (2 * np.pi)
    light_ev = np.zeros(seen.shape[:2])
    steps = np.linspace(-8, 8, 4001)
    rise = np.array([0.5 + 0.5 * erf(step / np.sqrt(2)) for step in steps])
    for edge in edges() + others():
        away = np.degrees(np.arccos(np.clip(seen @ edge.middle(), -1, 1)))
        near = away < 2 * PATCH_DEG
        fade = 0.5 + 0.5 * np.cos(np.pi * np.clip(away[near] / PATCH_DEG - 1, 0, 1))
        distance = np.arcsin(np.clip(seen[near] @ edge.normal(), -1, 1)) * per_radian
        part = np.interp(distance / blur_px, steps, rise)
        high, low = (
            1.0,
            2.0**-edge.contrast_ev,
        )  # nothing brighter than the sphere, which tone takes for white
        light_ev[near] += np.log2(1 + fade * (low + (high - low) * part - 1))
    return np.asarray(GREY * np.exp2(light_ev))


def measured(light: Floats, edge: Edge) -> tuple[float, float]:
    """MTF50 of an edge, and how far it goes beyond its plateaus, as a share of the step."""
    seen, per_radian = rays(light.shape[1]), light.shape[1] / (2 * np.pi)
    near = np.degrees(np.arccos(np.clip(seen @ edge.middle(), -1, 1))) < 0.7 * PATCH_DEG
    distance = np.arcsin(np.clip(seen[near] @ edge.normal(), -1, 1)) * per_radian
    bins = np.floor((distance + REACH_PX) / BIN_PX).astype(int)
    inside = (bins >= 0) & (bins < 2 * REACH_PX / BIN_PX)
    count = np.bincount(bins[inside], minlength=int(2 * REACH_PX / BIN_PX))
    spread = np.bincount(bins[inside], light[near][inside], len(count)) / np.maximum(count, 1)
    plateau = len(count) // 4
    low, high = spread[:plateau].mean(), spread[-plateau:].mean()
    middle = spread[plateau:-plateau]
    beyond = max(middle.max() - high, low - middle.min()) / (high - low)
    line = np.diff(spread) * np.hamming(len(spread) - 1)
    response = np.abs(np.fft.rfft(line, 4096))
    frequency = np.fft.rfftfreq(4096, BIN_PX)
    x = np.maximum(np.pi * frequency * BIN_PX, 1e-9)
    response = response / response[0] * np.minimum(x / np.sin(x), 10)
    under = int(np.argmax(response < 0.5))
    share = (response[under - 1] - 0.5) / (response[under - 1] - response[under])
    return float(frequency[under - 1] + share * (frequency[under] - frequency[under - 1])), float(beyond)


def grain(light: Floats) -> float:
    """Relative noise of the plain sphere near the horizon."""
    plain = light[len(light) // 2 - len(light) // 7 :][: len(light) // 14]
    fine = plain - cv2.GaussianBlur(plain, (0, 0), 3)
    spread = [np.std(fine[:, at : at + 64]) for at in range(0, plain.shape[1] - 64, 64)]
    return float(np.quantile(spread, 0.25) / plain.mean())


def finished(job: Path, samples: NDArray[np.uint16], recipe: str) -> Floats:
    """Luminance of the finished picture, linear."""
    write_linear_dng(job / "originals" / "edges" / "edges-01.dng", samples, baseline_exposure_ev=0.0)
    (job / "recipe.toml").write_text("[nadir]\nuse = false\n\n[level]\nuse = false\n\n" + recipe)
    command = [sys.executable, "-m", "panopipe", "run", str(job), "--no-review"]
    subprocess.run(command, check=False, stdout=subprocess.DEVNULL)  # 1: a frame wants a look
    codes = cv2.imread(str(job / "finished" / "edges" / "edges-01.jpg"))
    return np.asarray(srgb_decode(codes[..., ::-1] / 255.0) @ [0.2126, 0.7152, 0.0722])


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--width", type=int, default=4096)
    parser.add_argument("--blur", type=float, default=0.9, help="standard deviation in pixels at the horizon")
    parser.add_argument("--noise", type=float, default=1.0, help="times the variance of a good camera")
    asked = parser.parse_args()
    light = np.repeat(sphere(asked.width, asked.blur)[..., None], 3, axis=-1) * [0.6, 1.0, 0.7]
    sd = np.sqrt(asked.noise * (PHOTONS * light + READING))
    noisy = light + sd * np.random.default_rng(1).standard_normal(light.shape)
    samples = np.rint(np.clip(noisy, 0, 1) * 65535).astype(np.uint16)
    with tempfile.TemporaryDirectory() as folder:
        pictures = [
            finished(Path(folder) / name, samples, recipe)
            for name, recipe in (("without", "[sharpen]\nuse = false\n"), ("with", ""))
        ]
    print(f"{asked.width} px, blur {asked.blur:g} px, noise x{asked.noise:g}")
    print("| pitch | along | EV | MTF50 before, after | rise, % | beyond before, after, % |\n|" + "---|" * 6)
    rises: dict[float, list[float]] = {}
    for edge in edges():
        (before, over_before), (after, over) = (measured(picture, edge) for picture in pictures)
        rises.setdefault(edge.contrast_ev, []).append(after / before - 1)
        told = f"| {edge.pitch_deg:g} | {'row' if edge.along_row else 'meridian'} | {edge.contrast_ev:g} "
        told += f"| {before:.3f} {after:.3f} | {100 * (after / before - 1):.0f} "
        print(told + f"| {100 * over_before:.1f} {100 * over:.1f} |")
    for ev, found in rises.items():
        spread = (max(found) - min(found)) / (1 + np.mean(found))
        print(f"{ev:g} EV: rise {100 * np.mean(found):.0f} %, MTF50 spread {100 * spread:.1f} %")
    print(f"noise gain on the plain sphere {grain(pictures[1]) / grain(pictures[0]):.3f}")


if __name__ == "__main__":
    main()
