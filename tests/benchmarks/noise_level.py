"""Measure how well the level of noise is told: `python -m tests.benchmarks.noise_level FOLDER [--width W]`.

Frames and camera are those of the `noise` benchmark: real panoramas with a small sensor's noise, put together
again by a stitcher's kernel, without a profile in the file. The model is fitted to one noisy frame. In each
band of pitch its variance, summed over the bands of the finest scale, stands against that of what the noisy
frame has more than the frame without noise. The table says, by panorama, noise and band of pitch, how far the
standard deviation is off, in percent, for lightness and both colour differences. Clipped places do not count.
It measures; it asserts nothing.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.opponent import OPPONENT_OF_LIGHT
from panopipe.pixels.shrink import SMOOTH_REACH, smooth_along, smooth_down
from panopipe.studies.noise.measure import SATURATED
from panopipe.studies.noise.model import NoiseModel, fitted
from panopipe.studies.noise.scales import columns_of, stretches
from tests.benchmarks.noise import Light, exposed, facts_of, pair

BANDS = ("0 to 45", "45 to 69", "69 to 80", "80 to 85")
"""Degrees of pitch at which a row is stretched by 1, 2, 4 and 8: cos(pitch) is nearest these in octaves."""


def planes_of(light: Light) -> Light:
    """Lightness and colour differences first."""
    return np.ascontiguousarray(np.moveaxis(light @ OPPONENT_OF_LIGHT.T, -1, 0), np.float32)


def finest(planes: Light, columns: NDArray[np.int32]) -> list[Light]:
    """The three bands of the finest scale, without the outermost rows."""
    inner = slice(SMOOTH_REACH, -SMOOTH_REACH)
    along = np.stack([smooth_along(plane, columns, 1) for plane in planes])
    smooth = smooth_down(along, 1)
    across = smooth_down(planes, 1) - smooth
    return [along[:, inner] - smooth, across, planes[:, inner] - along[:, inner] - across]


def told(truth: Light, model: NoiseModel, light_from_samples: NDArray[np.float64]) -> Light:
    """Variance of each plane where the frame without noise is as bright as it is."""
    form = model.variance_form(light_from_samples)
    variance = np.einsum("ij,jrc->irc", form[:, :3], planes_of(truth)) + form[:, 3, None, None]
    return np.asarray(np.maximum(variance, form[:, 3, None, None]), np.float32)


def errors(truth: Light, noisy: Light) -> NDArray[np.float64]:
    """How far the standard deviation is off, as a share, by band of pitch and plane."""
    facts = facts_of(noisy)
    model = fitted([facts])
    if model is None:
        return np.full((len(BANDS), 3), np.nan)
    height, inner = len(truth), slice(SMOOTH_REACH, -SMOOTH_REACH)
    stretch = stretches(np.arange(height), height)
    found = finest(planes_of(noisy - truth), columns_of(stretch, 1, truth.shape[1]))
    variance = told(truth, model, facts.light_from_samples)[:, inner]
    counted = (truth.max(axis=-1) < SATURATED)[inner]
    off = np.empty((len(BANDS), 3))
    for kind in range(len(BANDS)):
        where = counted & (stretch[inner] == kind)[:, None]
        share = model.share(0, kind).sum(axis=0)
        true = sum((np.square(band[:, where], dtype=np.float64)).sum(axis=1) for band in found)
        off[kind] = np.sqrt(share * variance[:, where].sum(axis=1, dtype=np.float64) / true) - 1
    return off


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--width", type=int, default=1024)
    parser.add_argument("--noise", type=float, nargs="*", default=[1, 6, 24])
    parser.add_argument("--seed", type=int, default=3, help="of the noise")
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    print("off by %: lightness / red-blue / green, at a pitch of " + " | ".join(BANDS) + " degrees")
    for path in sorted(p for p in asked.folder.iterdir() if p.suffix.lower() in (".exr", ".hdr")):
        light = exposed(path, asked.width)
        for times in asked.noise:
            off = 100 * errors(*pair(light, times, asked.seed))
            told_off = " | ".join("/".join(f"{one:+4.0f}" for one in band) for band in off)
            print(f"{path.stem:10} x{times:<3g} {told_off}", flush=True)


if __name__ == "__main__":
    main()
