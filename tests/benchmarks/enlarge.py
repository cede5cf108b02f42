"""Measure enlargement: `python -m tests.benchmarks.enlarge FOLDER [--width W] [--blur B] [--factor F]`.

FOLDER holds radiance panoramas (.exr or .hdr, linear Rec.709). Each is blurred as by a lens (a Gaussian of
B pixels of the smaller frame), reduced to 1/F of its width by the mean over pixels, as a sensor does, and
enlarged again by panopipe and by Lanczos' kernel of four lobes. Finished codes are compared with those of
the panorama itself: decibels of both and the gain, also where the lens is a fifth sharper and softer; what
of the frame, in codes, the enlargement does not give again when it is reduced with the weights that it
assumes (median, 99th of a hundred). Then edges of 3 EV at 0, 30, 60 and 80 degrees of pitch: MTF50 and how
far they go beyond their plateaus; the growth of white noise; milliseconds of CPU per megapixel of the
larger picture.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.transfer import srgb_encode
from panopipe.pixels.enlarge import MARGIN
from panopipe.sphere.enlarge import Doubler
from panopipe.sphere.reduce import AreaReducer
from panopipe.sphere.wrap import pad
from tests.benchmarks.noise import decibels, exposed, finisher
from tests.benchmarks.sharpness import GREY, edges, measured, sphere

Light = NDArray[np.float32]
WEIGHTS = np.array([1, 3, 3, 1], np.float32) / 8
FIFTH = (0.8, 1.0, 1.2)


def seen(truth: Light, blur_px: float, factor: float) -> Light:
    """The panorama as a camera with fewer pixels sees it."""
    reach = 16
    soft = cv2.GaussianBlur(pad(truth, reach), (0, 0), blur_px * factor)[reach:-reach, reach:-reach]
    width = round(truth.shape[1] / factor / 2) * 2
    small = cv2.resize(soft, (width, width // 2), interpolation=cv2.INTER_AREA)
    return np.ascontiguousarray(small)


def enlarged(frame: Light, width: int) -> Light:
    """The frame as panopipe enlarges it."""
    double = np.concatenate([rows for rows, _ in Doubler(len(frame)).take(frame, 0)])
    if width == double.shape[1]:
        return double
    reducer = AreaReducer(double.shape[1], len(double), width)
    reducer.take(double, 0)
    return reducer.result()


def by_lanczos(frame: Light, width: int) -> Light:
    """The frame enlarged by a windowed sinc of four lobes."""
    reach = 16
    factor = width / frame.shape[1]
    size = round(factor * (frame.shape[1] + 2 * reach)), round(factor * (len(frame) + 2 * reach))
    large = cv2.resize(pad(frame, reach), size, interpolation=cv2.INTER_LANCZOS4)
    edge = round(factor * reach)
    return np.asarray(large[edge : edge + width // 2, edge : edge + width])


def left_over(frame: Light) -> list[float]:
    """What the doubled frame, reduced, lacks of the frame: median and 99th of a hundred, codes."""
    around = pad(enlarged(frame, 2 * frame.shape[1]), 1)
    for axis in (0, 1):
        parts = (np.take(around, range(at, around.shape[axis] - 3 + at, 2), axis) for at in range(4))
        around = sum(part * weight for part, weight in zip(parts, WEIGHTS, strict=True))
    codes = [255 * srgb_encode(np.clip(light, 0, 1)) for light in (around, frame)]
    return [float(value) for value in np.quantile(np.abs(codes[0] - codes[1]), (0.5, 0.99))]


def report(name: str, truth: Light, blur_px: float, factor: float) -> None:
    """Print one line of the table."""
    finish, width = finisher(truth), truth.shape[1]
    right, gains = finish(truth), []
    for share in FIFTH:
        frame = seen(truth, share * blur_px, factor)
        ours, theirs = (
            decibels(finish(one), right) for one in (enlarged(frame, width), by_lanczos(frame, width))
        )
        gains.append(ours - theirs)
        if share == 1:
            said = f"{theirs:6.2f} {ours:6.2f}", left_over(frame)
    told = " ".join(f"{gain:+.2f}" for gain in gains)
    print(f"{name:12} {said[0]}   {told}   {said[1][0]:.2f} {said[1][1]:.2f}", flush=True)


def report_edges(width: int, blur_px: float) -> None:
    """Print MTF50 and ringing at each edge, and the growth of noise."""
    lens = (
        np.hypot(blur_px, 0.29) * 2
    )  # of the lens and of the mean over a pixel, in pixels of the larger one
    small = cv2.resize(sphere(width, lens), (width // 2, width // 4), interpolation=cv2.INTER_AREA)
    frame = np.repeat(small[..., None], 3, axis=-1).astype(np.float32)
    pictures = [one(frame, width)[..., 1].astype(np.float64) for one in (by_lanczos, enlarged)]
    print("pitch along    MTF50 Lanczos, ours   beyond Lanczos, ours")
    for edge in edges():
        if edge.contrast_ev == 3:
            (before, over_before), (after, over) = (measured(picture, edge) for picture in pictures)
            along, over_both = "row" if edge.along_row else "meridian", f"{over_before:.2%} {over:.2%}"
            print(f"{edge.pitch_deg:4g}  {along:8} {before:.3f} {after:.3f}   {over_both}")
    noise = GREY * (1 + 0.02 * np.random.default_rng(4).standard_normal(frame.shape)).astype(np.float32)
    gains = [float(one(noise, width).std() / noise.std()) for one in (by_lanczos, enlarged)]
    print(f"noise of single pixels: Lanczos x{gains[0]:.2f}, ours x{gains[1]:.2f}")


def milliseconds(width: int) -> float:
    """CPU of a doubled frame, in bands, per megapixel of the larger one."""
    frame, doubler = np.full((width // 2, width, 3), GREY, np.float32), Doubler(width // 2)
    start = time.process_time()
    for first in range(0, width // 2, 32):
        for _ in doubler.take(frame[first : first + 32], first):
            pass
    return (time.process_time() - start) * 1e9 / (2 * width * width)


def main() -> None:
    """Reduce, enlarge, compare, print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--width", type=int, default=1024, help="of the panorama; the frame is 1/F as wide")
    parser.add_argument("--blur", type=float, default=0.45, help="of the lens, in pixels of the frame")
    parser.add_argument("--factor", type=float, default=2.0)
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    print(f"{asked.factor:g} times, lens {asked.blur:g} px; rows and columns of margin: {MARGIN}")
    print("frame        Lanczos ours   gain, dB, lens x.8 x1 x1.2   codes not given again, median 99th")
    for path in sorted(p for p in asked.folder.iterdir() if p.suffix.lower() in (".exr", ".hdr")):
        if not path.stem.endswith("_rows"):
            report(path.stem, exposed(path, asked.width), asked.blur, asked.factor)
    report_edges(2 * asked.width, asked.blur)
    print(f"CPU {milliseconds(3072):.1f} ms per megapixel of the doubled frame")


if __name__ == "__main__":
    main()
