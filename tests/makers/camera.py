"""The invented camera that the sample job and the real-light benchmark shoot with: light in, DNG out.

Its colours are two matrices of our own, its sensor has shot and read noise and clips, and its files hold
square-root-like codes with a LinearizationTable, so that noise takes the same few bits everywhere. Nothing
here asks panopipe: the truth behind a frame must not come from the code under test.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from tests.makers.dng import CAMERA_A, CAMERA_D65, Shot, write_linear_dng

XYZ_FROM_709 = np.array(
    [
        [0.41239080, 0.35758434, 0.18048079],
        [0.21263901, 0.71516868, 0.07219232],
        [0.01933082, 0.11919478, 0.95053215],
    ]
)
"""Linear Rec.709 to XYZ (D65), derived from the primaries of ITU-R BT.709."""
BT2020_FROM_XYZ = np.array(
    [
        [1.71665119, -0.35567078, -0.25336628],
        [-0.66668435, 1.61648124, 0.01576855],
        [0.01763986, -0.04277061, 0.94210312],
    ]
)
"""XYZ to linear ITU-R BT.2020 (D65), derived from the primaries."""
BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
D65_XY = (0.3127, 0.3290)
A_K, D65_K = 2850.0, 6500.0
"""Temperatures of illuminants 17 and 21 as the DNG specification takes them."""
BLACK, WHITE = 32, 64000
CODE_STEP = 0.9
"""One code in units of the noise: fine enough that the noise hides it."""


class White(NamedTuple):
    """What the photographer set the camera's white to: chromaticity and correlated colour temperature."""

    xy: tuple[float, float]
    kelvin: float


LAMPS_AND_DAY = White((0.360789, 0.363547), 4500.0)
"""On the Planckian locus (Ohno 2013): a compromise for a house with lamps and windows."""
DAYLIGHT = White((0.332502, 0.347608), 5500.0)
"""On the daylight locus (CIE 15); its correlated temperature is 5500 K to within 5 K."""


def _xyz(xy: tuple[float, float]) -> np.ndarray:
    return np.array([xy[0] / xy[1], 1, (1 - xy[0] - xy[1]) / xy[1]])


def matrix_at(kelvin: float) -> np.ndarray:
    """XYZ to camera at a temperature: linear in 1/T between the two matrices (DNG 1.7.1)."""
    share = (1 / kelvin - 1 / D65_K) / (1 / A_K - 1 / D65_K)
    return share * CAMERA_A + (1 - share) * CAMERA_D65


def recorded_working(
    rgb: np.ndarray, *, saturation: float, baseline_ev: float, white: White = LAMPS_AND_DAY
) -> np.ndarray:
    """What a perfect decode makes of unclipped, noise-free light.

    Parameters
    ----------
    rgb : ndarray of shape (..., 3)
        Scene light, linear Rec.709.
    saturation : float
        Luminance of the as-shot white at which the first channel clips.
    baseline_ev : float
        BaselineExposure of the file.
    white : White
        The as-shot white.

    Returns
    -------
    ndarray of shape (..., 3), dtype float64
        Linear BT.2020, D65: adapted from the as-shot white by linear Bradford.
    """
    source, target = BRADFORD @ _xyz(white.xy), BRADFORD @ _xyz(D65_XY)
    adapt = np.linalg.inv(BRADFORD) @ np.diag(target / source) @ BRADFORD
    scale = 2.0**baseline_ev / saturation
    return scale * (np.asarray(rgb, np.float64) @ (BT2020_FROM_XYZ @ adapt @ XYZ_FROM_709).T)


@dataclass(frozen=True)
class Sensor:
    """Noise and levels of one stitched frame.

    Attributes
    ----------
    full_well_e, read_noise_e : float
        Electrons at saturation and root mean square of the read noise, of one stitched pixel: the camera
        merges several readouts, so these are above those of one small photosite.
    """

    full_well_e: float = 260_000.0
    read_noise_e: float = 7.0

    def table(self) -> np.ndarray:
        """The LinearizationTable: code to 16-bit linear sample."""
        first, last = self._steady(self._pedestal(-BLACK)), self._steady(self.full_well_e)
        count = int(np.ceil((last - first) / CODE_STEP)) + 1
        steady = first + CODE_STEP * np.arange(count)
        electrons = (steady / 2) ** 2 - self._floor()
        samples = BLACK + electrons / self.full_well_e * (WHITE - BLACK)
        return np.clip(np.round(samples), 0, WHITE).astype(np.uint16)

    def codes(self, camera: np.ndarray, random: np.random.Generator) -> np.ndarray:
        """Codes of camera values (1.0 at saturation), with noise; uint16."""
        electrons = np.minimum(np.maximum(camera, 0) * self.full_well_e, self.full_well_e)
        noise = np.sqrt(electrons + self.read_noise_e**2)
        return self.quantised(
            (electrons + noise * random.standard_normal(electrons.shape)) / self.full_well_e
        )

    def quantised(self, camera: np.ndarray) -> np.ndarray:
        """Codes of camera values as they are, clipped at saturation; uint16."""
        lowest = self._pedestal(-BLACK)
        electrons = np.clip(camera * self.full_well_e, lowest, self.full_well_e)
        return np.round((self._steady(electrons) - self._steady(lowest)) / CODE_STEP).astype(np.uint16)

    def linear(self, codes: np.ndarray) -> np.ndarray:
        """Camera values that codes stand for."""
        return (self.table()[codes].astype(np.float64) - BLACK) / (WHITE - BLACK)

    def _pedestal(self, samples: float) -> float:
        return samples / (WHITE - BLACK) * self.full_well_e

    def _floor(self) -> float:
        return self._pedestal(BLACK) + 1.0

    def _steady(self, electrons: Any) -> Any:
        """Anscombe's square root: about equal noise at every level."""
        return 2 * np.sqrt(electrons + self._floor())


def camera_values(rgb: np.ndarray, saturation: float, white: White = LAMPS_AND_DAY) -> np.ndarray:
    """Camera values of linear Rec.709 light; the as-shot white of luminance `saturation` just clips."""
    matrix = matrix_at(white.kelvin)
    neutral = matrix @ _xyz(white.xy)
    return (np.asarray(rgb, np.float64) @ (matrix @ XYZ_FROM_709).T) / (neutral.max() * saturation)


def as_shot_neutral(white: White = LAMPS_AND_DAY) -> np.ndarray:
    """Camera values of the as-shot white, largest 1."""
    neutral = matrix_at(white.kelvin) @ _xyz(white.xy)
    return neutral / neutral.max()


def camera_from_recorded(working: np.ndarray, baseline_ev: float) -> np.ndarray:
    """Camera values that a perfect decode turns into `working` (see `recorded_working`)."""
    unit = np.eye(3)
    back = np.linalg.inv(recorded_working(unit, saturation=1, baseline_ev=baseline_ev))
    return np.asarray(working, np.float64) @ back @ camera_values(unit, 1)


def shoot(
    path: Path,
    rgb: np.ndarray,
    *,
    saturation: float,
    baseline_ev: float,
    seed: int,
    shot: Shot,
    sensor: Sensor | None = None,
    white: White = LAMPS_AND_DAY,
) -> Path:
    """Photograph linear Rec.709 light of shape (H, W, 3) into a lossless-JPEG linear DNG."""
    sensor = sensor or Sensor()
    codes = sensor.codes(camera_values(rgb, saturation, white), np.random.default_rng(seed))
    return write_codes(path, codes, baseline_ev=baseline_ev, shot=shot, sensor=sensor, white=white)


def write_codes(
    path: Path,
    codes: np.ndarray,
    *,
    baseline_ev: float,
    shot: Shot,
    sensor: Sensor,
    white: White = LAMPS_AND_DAY,
) -> Path:
    """Write a sensor's codes as the camera's DNG."""
    tile = (min(256, codes.shape[0]), min(256, codes.shape[1]))
    return write_linear_dng(
        path,
        codes,
        compression="ljpeg",
        tile=tile,
        black=BLACK,
        white=WHITE,
        linearization=[int(value) for value in sensor.table()],
        baseline_exposure_ev=baseline_ev,
        color_matrix_1=CAMERA_A,
        illuminant_1=17,
        color_matrix_2=CAMERA_D65,
        illuminant_2=21,
        as_shot_neutral=as_shot_neutral(white),
        shot=shot,
    )
