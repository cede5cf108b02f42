"""Measure denoising on light with camera noise added: `python -m tests.benchmarks.noise FOLDER [--width W]`.

FOLDER holds radiance panoramas (.exr or .hdr, linear Rec.709). Each is seen by two fisheyes, given the
noise of a small sensor (S 1e-4, O 1e-6 at base sensitivity; times 1, 6 and 24), and put together again with
a bicubic kernel, as a stitcher does; the same without noise is the truth. Noise is measured on the noisy
frame itself. Pictures are compared as finished codes: one exposure, shadows lifted by a stop, sRGB. The
rivals are scikit-image's wavelets (BayesShrink, cycle-spun; needs PyWavelets) and non-local means on light
made steady by Anscombe's root, both told the true noise. The table says, by panorama and noise: dB of the
noisy frame, of the rivals and of denoise; the standard deviation of CIELAB a* and b* between 4 and 64
pixels on plain places, without and with it; the share of fine texture's power that is left where the truth
has most; and pixels changed by more than a code.

The camera here is balanced and hardly mixes its planes; its noise is drawn after demosaicing.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import LUMINANCE_OF_WORKING, SRGB_FROM_WORKING, WORKING_FROM_SRGB
from panopipe.colour.transfer import srgb_encode
from panopipe.frame import FrameFacts, FrameKey, NoiseFacts
from panopipe.pipeline.engine import finish_frame
from panopipe.pipeline.frame_pipeline import StageInputs
from panopipe.pipeline.steps import Step
from panopipe.sphere.geometry import direction, pixel_of, pixel_solid_angle, yaw_pitch
from panopipe.stage import JobFacts, Observation
from panopipe.stages.denoise import Denoise, DenoiseSettings
from panopipe.studies.noise.measure import MOST_COLUMNS, SATURATED, Gatherer, groups_of_rows
from tests.benchmarks.real_light import read_light
from tests.run.fakes import HALL_1, OpenedArray, Raw, RawSettings

Light = NDArray[np.float32]
CAMERA = np.array([[0.80, 0.25, -0.05], [0.10, 0.85, 0.05], [0.02, 0.20, 0.78]])
LIGHT_FROM_CAMERA = np.linalg.inv(CAMERA / CAMERA.sum(axis=1, keepdims=True))
PHOTONS, READING = 1e-4, 1e-6
MEDIAN = 0.09
"""Luminance of the median of the sphere, 1 at saturation: a room exposed for its windows."""


@dataclass(frozen=True)
class Fisheyes:
    """Two circular pictures of half the sphere each, and the way there and back."""

    width: int

    def seen(self, frame: Light, back: bool) -> Light:
        """Pixels of one half, equidistant, as many to a degree as the frame has."""
        radius = self.width / 4
        side = int(2 * radius + 40)
        y, x = np.mgrid[0:side, 0:side] - side / 2 + 0.33
        angle = np.hypot(x, y) / radius * np.pi / 2
        turn = np.arctan2(-y, x)
        sign = -1 if back else 1
        rays = [np.sin(angle) * np.cos(turn) * sign, np.sin(angle) * np.sin(turn), np.cos(angle) * sign]
        column, row = pixel_of(*yaw_pitch(np.stack(rays, axis=-1)), self.width)
        return _sampled(frame, column, row, cv2.INTER_LINEAR)

    def joined(self, halves: list[Light]) -> Light:
        """A frame of both halves, bicubic."""
        height = self.width // 2
        yaw = ((np.arange(self.width) + 0.5) / self.width - 0.5) * 360
        pitch = (0.5 - (np.arange(height) + 0.5) / height) * 180
        x, y, z = np.moveaxis(direction(yaw[None], pitch[:, None]), -1, 0)
        radius, out = self.width / 4, np.empty((height, self.width, 3), np.float32)
        for sign, half in zip((1, -1), halves, strict=True):
            reach = np.arccos(np.clip(z * sign, -1, 1)) / (np.pi / 2) * radius
            turn = np.arctan2(y, x * sign)
            middle = half.shape[0] / 2 - 0.33
            at = (reach * np.cos(turn) + middle, -reach * np.sin(turn) + middle)
            here = z * sign >= 0
            maps = [place.astype(np.float32) for place in at]
            out[here] = cv2.remap(half, *maps, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)[here]
        return out


def _sampled(frame: Light, column: NDArray[np.float64], row: NDArray[np.float64], kernel: int) -> Light:
    pad = 8
    wide = np.concatenate([frame[:, -pad:], frame, frame[:, :pad]], axis=1)
    maps = (column + pad).astype(np.float32), row.astype(np.float32)
    return cv2.remap(wide, *maps, kernel, borderMode=cv2.BORDER_REPLICATE)


def exposed(path: Path, width: int) -> Light:
    """Light in the working space, its median at `MEDIAN`, cut off at saturation."""
    light = (read_light(path, width) @ WORKING_FROM_SRGB.T).astype(np.float32)
    luminance = light @ LUMINANCE_OF_WORKING
    weight = np.broadcast_to(pixel_solid_angle(len(light))[:, None], luminance.shape)
    order = np.argsort(luminance, axis=None)
    heaped = np.cumsum(weight.ravel()[order])
    median = luminance.ravel()[order[np.searchsorted(heaped, heaped[-1] / 2)]]
    return np.clip(light * (MEDIAN / median), 0, 1).astype(np.float32)


def pair(light: Light, times: float, seed: int) -> tuple[Light, Light]:
    """The frame without noise and with it, both through the fisheyes."""
    eyes, random = Fisheyes(light.shape[1]), np.random.default_rng(seed)
    clean = [eyes.seen(light, back) for back in (False, True)]
    noisy = []
    for half in clean:
        camera = np.maximum(half @ np.linalg.inv(LIGHT_FROM_CAMERA).T, 0)
        sd = np.sqrt(times * PHOTONS * camera + times**2 * READING)
        mixed = (camera + sd * random.standard_normal(camera.shape)) @ LIGHT_FROM_CAMERA.T
        noisy.append(mixed.astype(np.float32))
    return eyes.joined(clean), eyes.joined(noisy)


def facts_of(frame: Light) -> NoiseFacts:
    """What the frame's own samples tell."""
    share = (frame @ np.linalg.inv(LIGHT_FROM_CAMERA).T).astype(np.float32)
    gatherer = Gatherer(len(frame), LIGHT_FROM_CAMERA)
    for first, last in groups_of_rows(len(frame)):
        rows = share[first:last, :MOST_COLUMNS]
        gatherer.take(rows, first, (rows >= SATURATED).any(axis=-1))
    return gatherer.result()


def denoised(frame: Light, settings: DenoiseSettings) -> Light:
    """The frame as the stage leaves it, by its own noise alone."""
    reader, stage = OpenedArray(frame), Denoise()
    facts = FrameFacts(FrameKey("", "a"), frame.shape[1], len(frame), noise=facts_of(frame))
    reader.facts = facts
    solution = stage.solve({HALL_1: Observation(facts.noise, settings, facts)}, JobFacts({}))[HALL_1]
    steps = [Step(stage, settings), Step(Raw(), RawSettings())]
    done = finish_frame(reader, steps, inputs=StageInputs({"denoise": solution}))
    return np.frombuffer(done.outputs[0].data, np.float32).reshape(frame.shape)


def finisher(truth: Light) -> Callable[[Light], Light]:
    """The same finish for all: a stop up, and what is dark in the truth another at most."""
    luminance = np.maximum(2 * truth @ LUMINANCE_OF_WORKING, 1e-4).astype(np.float32)
    dark = np.clip(-np.log2(cv2.GaussianBlur(luminance, (0, 0), 12) / 0.18) / 4, 0, 1)
    gain = 2 * 2.0 ** dark[..., None]

    def finish(light: Light) -> Light:
        bright = light * gain
        shoulder = 0.6 + 0.4 * (1 - np.exp(-(np.maximum(bright, 0.6) - 0.6) / 0.4))
        screen = np.where(bright > 0.6, shoulder, bright) @ SRGB_FROM_WORKING.T
        return srgb_encode(np.clip(screen, 0, 1)).astype(np.float32)

    return finish


def decibels(picture: Light, truth: Light) -> float:
    """Peak signal to noise, weighted by solid angle."""
    weight = pixel_solid_angle(len(truth))[:, None, None]
    error = (np.square(picture - truth) * weight).sum() / (weight.sum() * 3 * truth.shape[1])
    return float(-10 * np.log10(max(error, 1e-12)))


def rivals(noisy: Light, times: float) -> list[Light]:
    """Wavelets and non-local means, told the true noise."""
    from skimage.restoration import cycle_spin, denoise_nl_means, denoise_wavelet  # noqa: PLC0415

    photons, reading = times * PHOTONS, times**2 * READING
    steady = 2 / photons * np.sqrt(np.maximum(photons * noisy + 3 / 8 * photons**2 + reading, 0))
    sigma = 0.86 * float(np.sqrt((LIGHT_FROM_CAMERA**2).sum(axis=1)).mean())  # bicubic, mean of shifts
    options = {"sigma": sigma, "wavelet": "db2", "method": "BayesShrink", "channel_axis": -1}
    options["rescale_sigma"] = False
    found = [denoise_nl_means(steady, 5, 6, h=0.8 * sigma, sigma=sigma, fast_mode=True, channel_axis=-1)]
    try:
        found.append(cycle_spin(steady, denoise_wavelet, 3, func_kw=options, channel_axis=-1, workers=1))
    except ImportError:
        print("PyWavelets is not installed: no wavelets in the comparison")
    return [((one * photons / 2) ** 2 - 3 / 8 * photons**2 - reading) / photons for one in found]


def _band(plane: Light, low: float, high: float) -> Light:
    return np.asarray(cv2.GaussianBlur(plane, (0, 0), low) - cv2.GaussianBlur(plane, (0, 0), high))


def plain_and_textured(truth: Light) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """The fifth of the middle rows with the least fine structure, and the tenth with the most."""
    lightness = truth.mean(axis=-1)
    energy = cv2.GaussianBlur(_band(lightness, 0.7, 3) ** 2, (0, 0), 8)
    inner = np.zeros(energy.shape, bool)
    inner[len(energy) // 8 : -len(energy) // 8] = True
    unclipped = inner & (cv2.dilate(truth.max(axis=-1), np.ones((9, 9))) < 0.98)
    low, high = np.quantile(energy[unclipped], [0.2, 0.9])
    return unclipped & (energy <= low), unclipped & (energy >= high)


def clouds(picture: Light, truth: Light, where: NDArray[np.bool_]) -> float:
    """Standard deviation of a* and b* between 4 and 64 pixels, of what is not in the truth."""
    lab, true = (cv2.cvtColor(one, cv2.COLOR_RGB2Lab) for one in (picture, truth))
    error = (lab - true)[..., 1:]
    return float(np.sqrt(np.mean([_band(error[..., i], 1.5, 20)[where].var() for i in (0, 1)])))


def texture_left(picture: Light, truth: Light, where: NDArray[np.bool_]) -> float:
    """Power of the truth's fine texture that is found again: its share by regression, squared."""
    true, found = (_band(one.mean(axis=-1), 0.7, 3)[where] for one in (truth, picture))
    return float(((true * found).sum() / (true * true).sum()) ** 2)


def report(
    name: str, light: Light, times: float, settings: DenoiseSettings, *, seed: int, rival: bool
) -> None:
    """Print one line of the table."""
    truth, noisy = pair(light, max(times, 1), seed)
    noisy = noisy if times else truth
    finish = finisher(truth)
    right, before = finish(truth), finish(noisy)
    after = finish(denoised(noisy, settings))
    plain, textured = plain_and_textured(right)
    changed = 100 * float((np.abs(after - before).max(axis=-1) > 1 / 255).mean())
    others = [decibels(finish(one), right) for one in rivals(noisy, times)] if rival and times > 1 else []
    print(
        f"{name:10} x{times:<3g} {decibels(before, right):6.2f} "
        + " ".join(f"{one:6.2f}" for one in others).rjust(14)
        + f" {decibels(after, right):6.2f}"
        + f"   {clouds(before, right, plain):6.3f} {clouds(after, right, plain):6.3f}"
        + f"   {texture_left(after, right, textured):5.2f}   {changed:7.3f}",
        flush=True,
    )


def main() -> None:
    """Add noise, denoise, compare, print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--width", type=int, default=1024)
    parser.add_argument("--noise", type=float, nargs="*", default=[0, 1, 6, 24])
    parser.add_argument("--seed", type=int, default=3, help="of the noise")
    parser.add_argument("--grain", type=float, default=DenoiseSettings().grain_percent)
    parser.add_argument(
        "--rivals", action="store_true", help="compare with scikit-image; takes a minute a line"
    )
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    print("frame      noise  noisy nlm / wavelet denoise   a*b* before after   texture   changed %")
    for path in sorted(p for p in asked.folder.iterdir() if p.suffix.lower() in (".exr", ".hdr")):
        if path.stem.endswith("_rows"):
            continue
        light = exposed(path, asked.width)
        for times in asked.noise:
            report(path.stem, light, times, DenoiseSettings(asked.grain), seed=asked.seed, rival=asked.rivals)


if __name__ == "__main__":
    main()
