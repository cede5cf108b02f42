"""The plane in which whites are compared: logarithms of ratios of Bradford cone responses.

A colour's place is (ln rho/gamma, ln beta/gamma), zero for the D65 white. A change of light moves all
surfaces by nearly the same vector, so that the joint solution is linear here. One mired along the Planckian
locus is 0.0057 of its length, and 0.015 is about one delta E 2000 of a light grey.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from panopipe.colour.adaptation import BRADFORD, adaptation_matrix
from panopipe.colour.spaces import (
    D65_XY,
    WORKING_FROM_XYZ,
    XYZ_FROM_WORKING,
    Matrix,
    xy_from_xyz,
    xyz_from_xy,
)
from panopipe.colour.temperature import xy_from_cct_duv
from panopipe.pixels.nearest import nearest_row

_D65_CONES = BRADFORD @ xyz_from_xy(D65_XY)
CONES_FROM_WORKING: Matrix = (BRADFORD / _D65_CONES[:, None]) @ XYZ_FROM_WORKING
"""Working space to Bradford cones, scaled so that a grey has three equal responses."""
WORKING_FROM_CONES: Matrix = np.asarray(np.linalg.inv(CONES_FROM_WORKING))

PLACE_PER_MIRED = 0.0057
"""Length of one mired along the locus, within 2 % from 2200 to 6500 K."""
LEAST = 0.01
"""Channels of a light of luminance 1 are held above this: no lamp in a house has so little of any."""
SMALLEST_RESPONSE = 1e-6
"""Cone responses are held above this share of diffuse white before a logarithm is taken."""


def place_from_cones(cones: ArrayLike) -> Matrix:
    """Place in the plane, shape (..., 3) to (..., 2), of scaled cone responses."""
    logs = np.log(np.maximum(np.asarray(cones, dtype=np.float64), SMALLEST_RESPONSE))
    log_chromaticity: Matrix = logs[..., (0, 2)] - logs[..., 1:2]
    return log_chromaticity


def log_chromaticity_from_working(rgb: ArrayLike) -> Matrix:
    """Place in the plane of working-space colours, shape (..., 3) to (..., 2)."""
    return place_from_cones(np.asarray(rgb, dtype=np.float64) @ CONES_FROM_WORKING.T)


def log_chromaticity_from_xy(xy: ArrayLike) -> Matrix:
    """Place in the plane of a chromaticity, shape (..., 2) to (..., 2)."""
    return place_from_cones((xyz_from_xy(xy) @ BRADFORD.T) / _D65_CONES)


def xyz_from_log_chromaticity(log_chromaticity: ArrayLike) -> Matrix:
    """XYZ with Y = 1 of a place, shape (..., 2) to (..., 3)."""
    red, blue = np.moveaxis(np.asarray(log_chromaticity, dtype=np.float64), -1, 0)
    cones = np.stack([np.exp(red), np.ones_like(red), np.exp(blue)], axis=-1) * _D65_CONES
    xyz = cones @ np.linalg.inv(BRADFORD).T
    scaled: Matrix = xyz / xyz[..., 1:2]
    return scaled


def xy_from_log_chromaticity(log_chromaticity: ArrayLike) -> Matrix:
    """CIE 1931 chromaticity of a place, shape (..., 2) to (..., 2)."""
    return xy_from_xyz(xyz_from_log_chromaticity(log_chromaticity))


def light_xy(log_chromaticity: ArrayLike, camera_white_xy: tuple[float, float] | None) -> Matrix:
    """Chromaticity of the real light whose white stands at `log_chromaticity` of the decoded frame.

    Decode turned the camera's white into D65; this turns it back. Without that fact D65 stands for it.
    """
    camera = xyz_from_xy(D65_XY if camera_white_xy is None else camera_white_xy)
    back = adaptation_matrix(xyz_from_xy(D65_XY), camera)
    return xy_from_xyz(xyz_from_log_chromaticity(log_chromaticity) @ back.T)


def place_of_light(xy: ArrayLike, camera_white_xy: tuple[float, float] | None) -> Matrix:
    """Place at which the white of a real light stands in the decoded frame; inverse of `light_xy`."""
    camera = D65_XY if camera_white_xy is None else camera_white_xy
    return log_chromaticity_from_xy(xy) - log_chromaticity_from_xy(camera)


def camera_log_chromaticity(camera_white_xy: tuple[float, float] | None) -> tuple[float, float]:
    """Place of the camera's own white as a real light: what to add to a decoded place to get the light's."""
    log_chromaticity = log_chromaticity_from_xy(D65_XY if camera_white_xy is None else camera_white_xy)
    return float(log_chromaticity[0]), float(log_chromaticity[1])


def light_of_place(log_chromaticity: ArrayLike) -> Matrix:
    """Working-space light of luminance 1 of a place, shape (..., 2) to (..., 3); no channel below `LEAST`."""
    light: Matrix = np.maximum(xyz_from_log_chromaticity(log_chromaticity) @ WORKING_FROM_XYZ.T, LEAST)
    return light


def change_of_light(before: ArrayLike, after: ArrayLike) -> Matrix:
    """What turns the light at one place into that at another: gains of the channels, shape (3, 3).

    Whites are compared in cone responses and surfaces relit in the working space: see `working_adaptation`.
    """
    return np.diag(light_of_place(after) / light_of_place(before))


def correction_matrix(log_chromaticity: ArrayLike, strength: float) -> Matrix:
    """Chromatic adaptation, working space to working space, of the white at `log_chromaticity`.

    At strength 1 that white becomes D65; below it keeps the share 1 - strength of its distance, measured in
    log cone responses (to within a mired the same as in mired). A neutral's luminance stays.
    """
    white = np.asarray(log_chromaticity, dtype=np.float64)
    return change_of_light(white, (1 - strength) * white)


def locus(mired: ArrayLike, duv: ArrayLike = 0.0) -> Matrix:
    """Places of the Planckian locus, or of a line beside it, as seen from the D65 white."""
    return log_chromaticity_from_xy(xy_from_cct_duv(1e6 / np.asarray(mired, dtype=np.float64), duv))


def nearest_in_table(log_chromaticity: Matrix, table: Matrix) -> NDArray[np.int32]:
    """Row of a table of places, shape (m, 2), nearest to each of some places, shape (n, 2)."""
    at = np.empty(len(log_chromaticity), np.int32)
    nearest_row(np.ascontiguousarray(log_chromaticity), np.ascontiguousarray(table), at)
    return at
