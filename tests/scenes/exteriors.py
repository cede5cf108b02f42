"""Exteriors of known truth: a field under a low sun, a hazy deck, a street, fog, a hill under much sky."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from skimage.color import deltaE_ciede2000 as delta_e_2000

from panopipe.colour.adaptation import working_adaptation
from panopipe.colour.lab import lab_from_xyz
from panopipe.colour.spaces import (
    D65_XY,
    LUMINANCE_OF_WORKING,
    WORKING_FROM_XYZ,
    XYZ_FROM_WORKING,
    Matrix,
    xyz_from_xy,
)
from panopipe.colour.temperature import xy_from_cct_duv
from panopipe.studies.white.cones import correction_matrix, log_chromaticity_from_working
from tests.scenes.camera import expose
from tests.scenes.raycast import Box, House, Material, Outdoors, render
from tests.scenes.spectra import daylight, halogen, surface

GRASS = Material(surface(0.14, 0.17, 0.05))
ASPHALT = Material(surface(0.10, 0.10, 0.105))
CONCRETE = Material(surface(0.36, 0.35, 0.32))
BRICK = Material(surface(0.32, 0.14, 0.09))
GLASS = Material(surface(0.05, 0.06, 0.08))
YELLOW = Material(surface(0.55, 0.42, 0.08))

CAMERA = (0.0, 1.5, 0.0)
LOW_SUN_WHITE_KELVIN = 5500.0
"""The warmth of a low sun is its own: the white to keep is the old daylight balance (common practice)."""


def _street() -> tuple[Box, ...]:
    sides = [
        Box((x, -0.3, z), (x + 6, top, z + 9), paint)
        for x, z, top, paint in (
            (-11.0, -24.0, 9.0, BRICK),
            (-11.0, -14.0, 12.0, CONCRETE),
            (-11.0, -4.0, 8.0, CONCRETE),
            (-11.0, 6.0, 11.0, BRICK),
            (5.0, -22.0, 10.0, CONCRETE),
            (5.0, -12.0, 8.0, BRICK),
            (5.0, -2.0, 13.0, GLASS),
            (5.0, 8.0, 9.0, CONCRETE),
        )
    ]
    return (*sides, Box((-0.1, -0.3, -30), (0.1, -0.29, 30), YELLOW))


def _towers() -> tuple[Box, ...]:
    return (
        Box((-30, -0.3, 26), (-20, 9, 34), GLASS),
        Box((-8, -0.3, 30), (2, 11, 36), CONCRETE),
        Box((14, -0.3, 28), (24, 7, 34), BRICK),
        Box((28, -0.3, -10), (34, 10, 2), GLASS),
        Box((-3, -0.3, -30), (8, 8, -24), CONCRETE),
        *(Box((x, -0.3, -12), (x + 0.6, -0.29, 12), YELLOW) for x in (-6.0, -2.0, 2.0, 6.0)),
    )


SCENES: Mapping[str, Outdoors] = {
    "field under a low sun": Outdoors(
        zenith=daylight(14000),
        horizon=daylight(7500),
        sun=halogen(2900),
        sun_direction_deg=(25.0, 4.0),
        sky_radiance=5.0,
        sun_illuminance=40.0,
        ground=GRASS,
    ),
    "deck in haze": Outdoors(
        zenith=daylight(6600),
        horizon=daylight(6100),
        sun=daylight(5600),
        sun_direction_deg=(25.0, 40.0),
        sky_radiance=30.0,
        sun_illuminance=25.0,
        ground=ASPHALT,
        boxes=_towers(),
    ),
    "street": Outdoors(ground=ASPHALT, boxes=_street()),
    "street in the shade": Outdoors(ground=ASPHALT, boxes=_street(), sun_illuminance=0.0),
    "bare hill": Outdoors(
        zenith=daylight(11000),
        horizon=daylight(7000),
        ground=GRASS,
        ground_m=-6.0,
        sun_direction_deg=(60.0, 50.0),
    ),
    "fog": Outdoors(
        zenith=daylight(6700),
        horizon=daylight(6500),
        sun=daylight(6500),
        sky_radiance=15.0,
        sun_illuminance=0.0,
        ground=GRASS,
        boxes=_towers(),
    ),
}


@dataclass(frozen=True)
class Exterior:
    """A photographed exterior.

    Attributes
    ----------
    rows : ndarray of shape (height, width, 3), dtype float32
        As decoded under the camera's white.
    camera_xy : tuple of float
        The camera's own white.
    white : ndarray of shape (3,), dtype float64
        Colour in `rows` of the white that leaves the scene its own colours.
    surfaces : ndarray of shape (height, width), dtype bool
        Where a surface is seen, neither sky nor clipped.
    """

    rows: NDArray[np.float32]
    camera_xy: tuple[float, float]
    white: Matrix
    surfaces: NDArray[np.bool_]

    def error(self, correction: Matrix) -> float:
        """Mean delta E 2000 of the surfaces, corrected, against their own colours."""
        colours = self.rows[self.surfaces].astype(np.float64)
        colours = 0.6 * colours / np.percentile(colours @ LUMINANCE_OF_WORKING, 95)
        true = colours @ correction_matrix(log_chromaticity_from_working(self.white), 1.0).T
        return float(np.mean(delta_e_2000(_lab(colours @ correction.T), _lab(true))))


def exterior(name: str, camera_kelvin: float, width: int, *, seed: int = 0) -> Exterior:
    """Photograph one of `SCENES`, exposed for the land."""
    scene = SCENES[name]
    truth = render(House((), scene), CAMERA, width)
    lit = truth.reflectance.max(axis=-1) > 0
    gain = min(0.25 / np.median(truth.rows[lit, 1]), 0.9 / np.percentile(truth.rows[..., 1], 93))
    x, y = (float(value) for value in xy_from_cct_duv(camera_kelvin))
    rows = expose(truth.rows, exposure_ev=float(np.log2(gain)), white_xy=(x, y), seed=seed)
    if scene.sun_direction_deg[1] < 10 and scene.sun_illuminance > 0:
        light = WORKING_FROM_XYZ @ xyz_from_xy(xy_from_cct_duv(LOW_SUN_WHITE_KELVIN))
    else:
        light = truth.illuminant[lit].astype(np.float64).mean(axis=0)
    white = working_adaptation(xyz_from_xy((x, y)), xyz_from_xy(D65_XY)) @ light
    return Exterior(rows, (x, y), white, lit & (rows.max(axis=-1) < 0.95))


def _lab(rgb: Matrix) -> Matrix:
    return np.asarray(lab_from_xyz(rgb @ XYZ_FROM_WORKING.T, xyz_from_xy(D65_XY)))
