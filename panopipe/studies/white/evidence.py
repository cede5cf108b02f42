"""What one frame says about its light: the whites it shows, the sources it sees, how its light varies."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import IntEnum

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import LUMINANCE_OF_WORKING, Matrix
from panopipe.frame import Rows
from panopipe.pixels.planes import highest_plane
from panopipe.sphere.geometry import pitch_of_row, pixel_solid_angle
from panopipe.studies.white.cones import (
    CONES_FROM_WORKING,
    log_chromaticity_from_working,
    place_from_cones,
)
from panopipe.studies.white.light import light_field
from panopipe.studies.white.quantile import weighted_quantile
from panopipe.studies.white.sky import Sky, find_sky
from panopipe.studies.white.sources import lamp_seen
from panopipe.studies.white.texture import smoothness

CELL_ROWS = 64
"""Rows of the grid of cells: 2.8 degrees each."""
RECORDED = (0.004, 0.95)
"""A pixel counts if its largest channel lies between these shares of diffuse white: no noise, not clipped."""
JUMP = np.array([0.05, 0.05, 0.25])
"""Neighbouring cells that differ by more in a log cone ratio or in log luminance are two surfaces."""
LIKENESS = 0.025
"""Distance in the plane within which cells are one paint."""
OWN_LIGHT = 0.5
"""Ceiling and floor have a light partly their own: this share of what sets it apart is left in their place.
Between the two ends (0, as parted from the light; 1, as seen) the test houses are met best."""
MOST_PAINTS = 6
SMALLEST_SR = 0.05
BRIGHT = 0.4
"""A surface is among the bright ones if it reflects at least exp(-0.4) of what the brightest tenth does."""


class Kind(IntEnum):
    """Where most of a paint lies: it decides how likely it is white."""

    CEILING = 0
    WALL = 1
    LOW = 2


@dataclass(frozen=True, slots=True)
class Paint:
    """One colour of surface in a frame, as it would stand under the frame's mean light.

    Attributes
    ----------
    log_chromaticity : tuple of float
        Place in the plane of log cone ratios.
    area_sr : float
        Solid angle.
    brightness : float
        Natural logarithm of its reflectance against the brightest tenth of the frame's surfaces.
    kind : Kind
        Where it lies.
    smooth : float
        0 to 1: how likely it is painted, by its grain.
    """

    log_chromaticity: tuple[float, float]
    area_sr: float
    brightness: float
    kind: Kind
    smooth: float = 1.0


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the survey keeps of a frame's light.

    Attributes
    ----------
    paints : tuple of Paint
        The largest first.
    spread : float
        Standard deviation of the light's place over the sphere: how mixed it is.
    luminance : float
        Natural logarithm of the mean luminance of lit surfaces.
    open_sky : float
        0 to 1: how likely there is open sky overhead; the sky itself is no paint.
    mean : tuple of float or None
        Place of the mean of all that is recorded, light as it comes; None if too little is.
    lamp : float
        0 to 1: how likely a lamp is in view.
    """

    paints: tuple[Paint, ...]
    spread: float
    luminance: float
    open_sky: float
    mean: tuple[float, float] | None = None
    lamp: float = 1.0


@dataclass(frozen=True, slots=True)
class Cells:
    """A frame on the grid of cells, taken apart into light and surface.

    Attributes
    ----------
    light : ndarray of shape (64, 128, 3)
        Smooth field of the light: log cone ratios and log luminance, mean 0 over the sphere.
    surface : ndarray of shape (64, 128, 3)
        What is left: the surfaces under the mean light.
    weight_sr : ndarray of shape (64, 128)
        Solid angle of what is recorded in each cell.
    """

    light: Matrix
    surface: Matrix
    weight_sr: Matrix


def gather(
    rows: Rows,
    camera: tuple[float, float] | None = None,
    *,
    exposure_ev100: float | None = None,
    smooth: Matrix | None = None,
) -> Evidence:
    """Look at a frame at reduced size.

    Parameters
    ----------
    rows : ndarray of shape (height, width, 3), dtype float32
        Linear light in the working space, the whole sphere, at least 128 wide.
    camera : tuple of float or None
        Place of the camera's own white as a real light; None if the file does not tell.
    exposure_ev100 : float or None
        Exposure value at ISO 100; None if the file does not tell.
    smooth : ndarray of shape (64, 128) or None
        How smooth each cell is, by `texture.smoothness`; None: it is found here.

    Returns
    -------
    Evidence
        Small and picklable.
    """
    largest = highest_plane(rows)
    cells = take_apart(rows, largest)
    if float(cells.weight_sr.sum()) < SMALLEST_SR:
        return Evidence((), 0.0, 0.0, 0.0)
    sky = _sky(cells, rows, largest, camera, exposure_ev100)
    mean = _light_on_bright(cells)
    shown = replace(cells, weight_sr=np.where(sky.region, 1 - sky.likely, 1.0) * cells.weight_sr)
    paints = _paints(shown, smoothness(rows) if smooth is None else smooth)
    around_mean = np.sum((cells.light[..., :2] - mean) ** 2, axis=-1)
    spread = float(np.sqrt(np.average(around_mean, weights=_area())))
    luminance = float(np.average((cells.light + cells.surface)[..., 2], weights=cells.weight_sr))
    lamp = 1.0 if camera is None else lamp_seen(rows, camera)
    return Evidence(paints, spread, luminance, sky.likely, _mean(cells), lamp)


def take_apart(rows: Rows, largest: NDArray[np.float32] | None = None) -> Cells:
    """Bring a frame to the grid of cells and part light from surface."""
    mean, share = _cell_means(rows, highest_plane(rows) if largest is None else largest)
    log_chromaticity, luminance = (
        log_chromaticity_from_working(mean),
        np.log(np.maximum(mean @ CONES_FROM_WORKING[1], 1e-6)),
    )
    values = np.concatenate([log_chromaticity, luminance[..., None]], axis=-1)
    known = share > 0.5
    light = light_field(values, known, JUMP)
    return Cells(light, values - light, np.where(known, share * _area(), 0.0))


def _area() -> Matrix:
    return np.repeat(pixel_solid_angle(CELL_ROWS)[:, None], 2 * CELL_ROWS, axis=1)


def _cell_means(rows: Rows, largest: NDArray[np.float32]) -> tuple[Matrix, Matrix]:
    """Mean of the recorded pixels of every cell, and their share."""
    use = ((largest > RECORDED[0]) & (largest < RECORDED[1])).view(np.uint8)
    size = (2 * CELL_ROWS, CELL_ROWS)
    total = cv2.resize(cv2.copyTo(rows, use), size, interpolation=cv2.INTER_AREA)
    share = cv2.resize(use.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    mean = total / np.maximum(share, 1e-6)[..., None]
    return mean.astype(np.float64), share.astype(np.float64)


def _sky(
    cells: Cells,
    rows: Rows,
    largest: NDArray[np.float32],
    camera: tuple[float, float] | None,
    exposure_ev100: float | None,
) -> Sky:
    size = (2 * CELL_ROWS, CELL_ROWS)
    over = (largest >= RECORDED[1]).astype(np.float32)
    clipped = cv2.resize(over, size, interpolation=cv2.INTER_AREA) > 0.5
    mean = cv2.resize(rows, size, interpolation=cv2.INTER_AREA) @ LUMINANCE_OF_WORKING
    values = cells.light + cells.surface
    values[clipped, 2] = np.log(np.maximum(mean[clipped], RECORDED[1]))
    camera_blue = None if camera is None else camera[1]
    return find_sky(
        values, cells.weight_sr > 0, clipped, camera_blue=camera_blue, exposure_ev100=exposure_ev100
    )


def _light_on_bright(cells: Cells) -> Matrix:
    """Mean place of the light on the brighter surfaces of a frame: where a white would be seen."""
    top = weighted_quantile(cells.surface[..., 2].ravel(), cells.weight_sr.ravel(), 0.9)
    weight = cells.weight_sr * (cells.surface[..., 2] > top - BRIGHT)
    mean: Matrix = np.average(cells.light[..., :2], axis=(0, 1), weights=weight)
    return mean


def _mean(cells: Cells) -> tuple[float, float]:
    """Place of the mean light that comes from all that is recorded."""
    values = cells.light + cells.surface
    cones = np.exp(values[..., 2:] + np.stack([values[..., 0], 0 * values[..., 0], values[..., 1]], axis=-1))
    red, blue = place_from_cones(np.tensordot(cells.weight_sr, cones, axes=2))
    return float(red), float(blue)


def _paints(cells: Cells, smooth: Matrix) -> tuple[Paint, ...]:
    """Largest groups of cells of one colour, each parted into ceiling, wall and low.

    A wall's place is as it is seen; ceiling and floor have a light partly their own, so theirs is brought
    half way to the mean light of the frame.
    """
    at = cells.surface[..., :2].reshape(-1, 2)
    seen = at + cells.light[..., :2].reshape(-1, 2)
    bright = cells.surface[..., 2].ravel()
    left, zone = cells.weight_sr.ravel().copy(), _zones()
    if left.sum() < SMALLEST_SR:
        return ()
    top = weighted_quantile(bright, left, 0.9)
    paints = []
    for _ in range(MOST_PAINTS):
        member = _densest(at, left)
        if left[member].sum() < SMALLEST_SR:
            break
        for kind in Kind:
            weight = np.where(member & (zone == kind), left, 0.0)
            if weight.sum() >= SMALLEST_SR:
                log_chromaticity = _median_log_chromaticity(
                    seen if kind is Kind.WALL else at + OWN_LIGHT * (seen - at), weight
                )
                middle = weighted_quantile(bright, weight, 0.5) - top
                grain = weighted_quantile(smooth.ravel(), weight, 0.5)
                paints.append(Paint(log_chromaticity, float(weight.sum()), middle, kind, grain))
        left[member] = 0
    return tuple(sorted(paints, key=lambda paint: -paint.area_sr))


def _median_log_chromaticity(at: Matrix, weight: Matrix) -> tuple[float, float]:
    return weighted_quantile(at[:, 0], weight, 0.5), weighted_quantile(at[:, 1], weight, 0.5)


def _zones() -> NDArray[np.int_]:
    """Kind of every cell by its pitch, -1 between two of them."""
    pitch = pitch_of_row(np.arange(CELL_ROWS), CELL_ROWS)
    zone = np.full(CELL_ROWS, -1)
    zone[pitch > 42] = Kind.CEILING
    zone[(pitch > -25) & (pitch < 28)] = Kind.WALL
    zone[pitch < -25] = Kind.LOW
    return np.repeat(zone, 2 * CELL_ROWS)


def _densest(at: Matrix, weight: Matrix) -> NDArray[np.bool_]:
    """Cells around the densest place, by mean shift from the fullest bin of a histogram."""
    step = LIKENESS
    bins = np.clip(np.floor(at / step), -256, 255).astype(np.int64)
    bins -= bins.min(axis=0)
    group = bins[:, 0] * (bins[:, 1].max() + 1) + bins[:, 1]
    start: NDArray[np.bool_] = group == np.argmax(np.bincount(group, weights=weight))
    if not weight[start].any():
        return start & False
    centre = np.average(at[start], axis=0, weights=weight[start])
    for _ in range(10):
        near = weight * np.exp(_distance2(at, centre) * (-0.5 / LIKENESS**2))
        centre = near @ at / near.sum()
    member: NDArray[np.bool_] = (_distance2(at, centre) < (2 * LIKENESS) ** 2) & (weight > 0)
    return member


def _distance2(at: Matrix, centre: Matrix) -> Matrix:
    """Squared distances of places (n, 2) from one."""
    first, second = at[:, 0] - centre[0], at[:, 1] - centre[1]
    return np.asarray(first * first + second * second)
