"""Colours of a chart after decode and neutral settings, against the colours that the light made of it."""

from __future__ import annotations

import tempfile
from pathlib import Path

import colour as colour_science
import numpy as np
from numpy.typing import NDArray
from skimage.color import deltaE_ciede2000 as delta_e_2000

from panopipe.colour.adaptation import adaptation_matrix
from panopipe.colour.lab import lab_from_xyz
from panopipe.colour.spaces import D65_XY, XYZ_FROM_WORKING, xyz_from_xy
from panopipe.colour.temperature import cct_duv_from_xy
from panopipe.frame import FrameKey
from panopipe.stages.decode import Decode, DecodeSettings
from panopipe.stages.tone import ToneSettings
from panopipe.stages.vibrance import VibranceSettings
from tests.benchmarks.tone_picture import finished
from tests.makers import camera
from tests.makers.dng import Shot
from tests.scenes.spectra import MATCHING_FUNCTIONS, WAVELENGTHS_NM, Spectrum, daylight, halogen, led

LIGHTS: dict[str, Spectrum] = {
    "daylight 6500 K": daylight(6500),
    "daylight 5000 K": daylight(5000),
    "LED 4000 K": led(4000),
    "halogen 2850 K": halogen(2850),
}
NEUTRAL = ToneSettings(0.0, 0.0, 0.0, 0.0, 0.0, -16.0, 0.0)
WIDTH = 192
SATURATION = 1.25
Float = NDArray[np.float64]


def patches() -> Float:
    """Reflectances of the 24-patch chart of ISO 17321-1, as colour-science holds them, shape (24, 85)."""
    chart = colour_science.SDS_COLOURCHECKERS["ISO 17321-1"].values()
    return np.stack([np.interp(WAVELENGTHS_NM, patch.wavelengths, patch.values) for patch in chart])


def chart_error(light: Spectrum) -> float:
    """Mean delta E 2000 of the patches under a light that the camera's white is set to."""
    white = light @ MATCHING_FUNCTIONS
    seen = (patches() * light) @ MATCHING_FUNCTIONS / white[1]
    white = white / white[1]
    decoded = _photographed(seen, tuple(white[:2] / white.sum()))
    d65 = xyz_from_xy(D65_XY)
    truth = seen @ adaptation_matrix(white, d65).T
    return float(np.mean(delta_e_2000(lab_from_xyz(decoded, d65), lab_from_xyz(truth, d65))))


def _photographed(seen: Float, white_xy: tuple[float, float]) -> Float:
    """XYZ of the patches, as stripes of a frame, after camera, decode and neutral stages."""
    line = np.repeat(seen @ np.linalg.inv(camera.XYZ_FROM_709).T, WIDTH // len(seen), axis=0)
    frame = np.broadcast_to(line, (WIDTH // 2, *line.shape))
    white = camera.White(white_xy, float(cct_duv_from_xy(white_xy)[0]))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "chart.dng"
        shot = Shot(exposure_s=None, f_number=None, iso=None)
        camera.shoot(
            path,
            frame,
            saturation=SATURATION,
            baseline_ev=float(np.log2(SATURATION)),
            seed=1,
            shot=shot,
            white=white,
        )
        with Decode().open([path], FrameKey("", "chart"), DecodeSettings()) as opened:
            rows = np.roll(opened.read(0, WIDTH // 2), opened.facts.anchor_column, axis=1)
    after = finished(rows, NEUTRAL, VibranceSettings(0.0)).astype(np.float64)
    stripes = after.reshape(WIDTH // 2, len(seen), -1, 3)[:, :, 2:-2].mean(axis=(0, 2))
    return np.asarray(stripes @ XYZ_FROM_WORKING.T)
