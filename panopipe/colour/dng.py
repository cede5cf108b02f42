"""From a camera's samples to colour, by the DNG specification's camera model.

Chapter "Mapping Camera Color Space to CIE XYZ Space" of the DNG Specification 1.7.1.0 (2023): up to two
calibrations, each for its light; the white of the shot picks the mixture of the two.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from panopipe.colour.adaptation import adaptation_matrix
from panopipe.colour.spaces import D50_XY, D65_XY, WORKING_FROM_XYZ, Matrix, xy_from_xyz, xyz_from_xy
from panopipe.colour.temperature import cct_duv_from_xy

LIGHT_SOURCE_KELVIN: dict[int, float] = {
    1: 5500, 2: 4150, 3: 2850, 4: 5500, 9: 5500, 10: 6500, 11: 7500, 12: 6400, 13: 5050, 14: 4150,
    15: 3525, 16: 2925, 17: 2850, 18: 5500, 19: 6500, 20: 5500, 21: 6500, 22: 7500, 23: 5000, 24: 3200,
}  # fmt: skip
"""Temperature of EXIF light sources (CIPA DC-008, tag LightSource). Those of A, D50, D55, D65 and D75 are
the customary ones of DNG readers; fluorescent ones are the middles of their EXIF ranges."""

_STEPS = 60
_SETTLED = 1e-9


@dataclass(frozen=True, slots=True)
class Calibration:
    """What one calibration light gives.

    Attributes
    ----------
    kelvin : float
        Temperature of the light.
    camera_from_xyz : ndarray of shape (3, 3), dtype float64
        ColorMatrix: XYZ to the reference camera.
    individual : ndarray of shape (3, 3), dtype float64
        CameraCalibration: reference camera to this very camera.
    d50_from_balanced : ndarray of shape (3, 3), dtype float64, or None
        ForwardMatrix: white-balanced reference camera to XYZ under D50.
    """

    kelvin: float
    camera_from_xyz: Matrix
    individual: Matrix
    d50_from_balanced: Matrix | None = None


@dataclass(frozen=True, slots=True)
class Camera:
    """A camera's colour: one or two calibrations, and the analog gains already in its samples.

    Attributes
    ----------
    calibrations : tuple of Calibration
        One or two.
    analog_balance : ndarray of shape (3,), dtype float64
        AnalogBalance, one factor per plane.
    """

    calibrations: tuple[Calibration, ...]
    analog_balance: Matrix

    def __post_init__(self) -> None:
        if not 1 <= len(self.calibrations) <= 2:
            raise ValueError(f"a camera has one or two calibrations, not {len(self.calibrations)}")
        for light in self.calibrations:
            _must_invert(light.camera_from_xyz, "ColorMatrix")
            _must_invert(light.individual, "CameraCalibration")
        if not np.all(np.isfinite(self.analog_balance)) or np.any(self.analog_balance <= 0):
            raise ValueError(f"AnalogBalance {_shown(self.analog_balance)} is not positive")

    def share_of_first(self, cct_kelvin: float) -> float:
        """Share of the first calibration at a temperature: linear in 1/T, clamped at both lights."""
        if len(self.calibrations) == 1:
            return 1.0
        first, second = (1 / light.kelvin for light in self.calibrations)
        if first == second:
            return 1.0
        return float(np.clip((1 / cct_kelvin - second) / (first - second), 0, 1))

    def camera_from_xyz(self, white_xy: ArrayLike) -> Matrix:
        """XYZ to this camera for a scene white: AnalogBalance x CameraCalibration x ColorMatrix."""
        share = self._share(white_xy)
        colour = self._mixed([light.camera_from_xyz for light in self.calibrations], share)
        return self._individual(share) @ colour

    def neutral(self, white_xy: ArrayLike) -> Matrix:
        """Camera values of a white, largest 1, shape (3,).

        Raises
        ------
        ValueError
            If the camera cannot see that white in all three planes.
        """
        values = self.camera_from_xyz(white_xy) @ xyz_from_xy(white_xy)
        if not np.all(values > 1e-6 * np.max(np.abs(values))):
            raise ValueError(f"the colour matrices give no neutral for a white of xy {_shown(white_xy)}")
        neutral: Matrix = values / values.max()
        return neutral

    def white_xy(self, neutral: ArrayLike) -> Matrix:
        """Chromaticity, shape (2,), of the white whose camera values are `neutral`; found by iteration.

        Raises
        ------
        ValueError
            If the neutral is not positive, or leads to no chromaticity.
        """
        values = np.asarray(neutral, dtype=np.float64)
        if values.shape != (3,) or not np.all(np.isfinite(values)) or np.any(values <= 0):
            raise ValueError(f"AsShotNeutral {_shown(values)} is not three positive numbers")
        xy = np.array(D50_XY)
        for step in range(_STEPS):
            next_xy = xy_from_xyz(np.linalg.solve(self.camera_from_xyz(xy), values))
            if not _is_chromaticity(next_xy):
                raise ValueError(f"AsShotNeutral {_shown(values)} is no light that the colour matrices know")
            if np.max(np.abs(next_xy - xy)) < _SETTLED:
                return next_xy
            # Two calibrations far apart can make it swing between two points: then meet in the middle.
            xy = next_xy if step < _STEPS // 2 else (xy + next_xy) / 2
        return xy

    def d50_from_camera(self, white_xy: ArrayLike) -> Matrix:
        """Camera to XYZ under D50 with the scene white at Y = 1.

        By the forward matrices where every calibration has one, otherwise through the inverse of the
        colour matrix and a linear Bradford adaptation.
        """
        neutral = self.neutral(white_xy)
        forward = [light.d50_from_balanced for light in self.calibrations]
        if any(matrix is None for matrix in forward):
            return self._adapted(white_xy, neutral, D50_XY)
        share = self._share(white_xy)
        mixed = self._mixed([_normalised(matrix) for matrix in forward if matrix is not None], share)
        reference = np.linalg.inv(self._individual(share))
        balanced: Matrix = mixed @ np.diag(1 / (reference @ neutral)) @ reference
        return balanced

    def working_from_camera(self, white_xy: ArrayLike) -> Matrix:
        """Camera to the working space, scene white to (1, 1, 1)."""
        d65_from_d50 = adaptation_matrix(xyz_from_xy(D50_XY), xyz_from_xy(D65_XY))
        matrix: Matrix = WORKING_FROM_XYZ @ d65_from_d50 @ self.d50_from_camera(white_xy)
        return matrix

    def _share(self, white_xy: ArrayLike) -> float:
        if len(self.calibrations) == 1:
            return 1.0
        x, y = np.asarray(white_xy, dtype=np.float64).tolist()
        return self.share_of_first(_kelvin(x, y))

    def _adapted(self, white_xy: ArrayLike, neutral: Matrix, to_xy: ArrayLike) -> Matrix:
        xyz_from_camera = np.linalg.inv(self.camera_from_xyz(white_xy))
        luminance = (xyz_from_camera @ neutral)[1]
        adapted: Matrix = (
            adaptation_matrix(xyz_from_xy(white_xy), xyz_from_xy(to_xy)) @ xyz_from_camera / luminance
        )
        return adapted

    def _individual(self, share: float) -> Matrix:
        calibration = self._mixed([light.individual for light in self.calibrations], share)
        individual: Matrix = np.diag(self.analog_balance) @ calibration
        return individual

    @staticmethod
    def _mixed(matrices: list[Matrix], share: float) -> Matrix:
        if len(matrices) == 1:
            return matrices[0]
        return share * matrices[0] + (1 - share) * matrices[1]


@lru_cache(maxsize=256)
def _kelvin(x: float, y: float) -> float:
    """Temperature of a white; the frames of a shoot ask for the same few again and again."""
    return float(cct_duv_from_xy((x, y))[0])


def _normalised(forward: Matrix) -> Matrix:
    """Scale a forward matrix's rows so that neutral comes out as D50 to the last digit."""
    sums = forward.sum(axis=1)
    if np.any(sums <= 0):
        raise ValueError(f"ForwardMatrix turns neutral into XYZ {_shown(sums)}, which is no light")
    normalised: Matrix = forward * (xyz_from_xy(D50_XY) / sums)[:, None]
    return normalised


def _must_invert(matrix: Matrix, name: str) -> None:
    if matrix.shape != (3, 3) or not np.all(np.isfinite(matrix)):
        raise ValueError(f"{name} is not a 3x3 matrix of numbers")
    if np.linalg.cond(matrix) > 1e6:
        raise ValueError(f"{name} cannot be inverted")


def _shown(values: ArrayLike) -> str:
    """Up to three numbers for an error line."""
    return ", ".join(f"{value:.4g}" for value in np.asarray(values, dtype=np.float64).ravel()[:3])


def _is_chromaticity(xy: Matrix) -> bool:
    return bool(np.all(np.isfinite(xy)) and np.all(xy > 0.01) and xy.sum() < 0.99)
