"""The rotation between two spheres of one place, found in what they show.

Both are reduced to the local contrast of log luminance, which neither exposure nor broad light changes. The
heading is looked for all the way round; then all three angles are refined together, from coarse to fine, by
Gauss-Newton on the rotations, with weights that leave out what moved or lies near.

References
----------
.. [1] S. Baker, I. Matthews, Lucas-Kanade 20 years on: a unifying framework, Int. J. Computer Vision 56(3),
   2004.
.. [2] P. J. Huber, Robust estimation of a location parameter, Annals of Mathematical Statistics 35(1), 1964.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from panopipe.sphere.geometry import direction, pitch_of_row, pixel_of, yaw_of_column, yaw_pitch
from panopipe.sphere.sampling import sample_frame
from panopipe.sphere.wrap import pad

Float = NDArray[np.float64]
Single = NDArray[np.float32]

_COARSE = 128
"""Width at which the heading is looked for all the way round: steps of 2.8 degrees."""
_STEPS = 8
_FINE_DEG, _BROAD_DEG = 0.35, 3.0
"""Smoothing whose difference is the contrast that is compared, at least a pixel."""
_HIGHEST_DEG, _LOWEST_DEG = 75.0, -60.0
"""Pitch between which is compared: the support under the camera turns with it."""
_SETTLED = 1e-5
"""Radians of a step that ends the search: .01 px at 6144 wide."""
_HUBER = 1.345
"""Deviations up to which a difference counts in full (95 % efficiency for normal errors) [2]_."""


@dataclass(frozen=True, slots=True, eq=False)
class Registration:
    """How a sphere lies against another.

    Attributes
    ----------
    rotation : ndarray of shape (3, 3), dtype float64
        Directions of the one to directions of the other.
    agreement : float
        Correlation of their local contrast after turning: 1 for the same picture, about 0 for unrelated ones.
    """

    rotation: Float
    agreement: float


def register(target: ArrayLike, source: ArrayLike, *, finest: int = 512) -> Registration:
    """Find the rotation that lays one sphere on the other.

    Parameters
    ----------
    target, source : array_like of shape (height, width)
        Luminance of two whole 2:1 frames of one size, linear light.
    finest : int
        Width down to which the rotation is refined.

    Raises
    ------
    ValueError
        If the frames differ in size, or are not whole.
    """
    first, second = np.asarray(target, np.float32), np.asarray(source, np.float32)
    if first.shape != second.shape or first.ndim != 2 or first.shape[1] != 2 * first.shape[0]:
        raise ValueError(f"{first.shape} and {second.shape} are not two whole frames of one size")
    finest = min(finest, first.shape[1])
    coarse = min(_COARSE, finest)
    weight = _weight(coarse // 2)[:, None]
    rotation = heading(_contrast(first, coarse) * weight, _contrast(second, coarse))
    width = coarse
    while True:
        rotation, agreement = _refined(_contrast(first, width), _contrast(second, width), rotation)
        if width >= finest:
            return Registration(rotation, agreement)
        width = min(2 * width, finest)


def heading(first: NDArray[Any], second: NDArray[Any]) -> Float:
    """Turn about the vertical at which the rows of two spheres correlate best; to the column.

    Parameters
    ----------
    first, second : ndarray of shape (height, width)
        What is compared, each weighted by how much it counts.

    Returns
    -------
    ndarray of shape (3, 3), dtype float64
        Directions of the first to directions of the second.
    """
    width = first.shape[1]
    spectrum = (np.conj(np.fft.rfft(first, axis=1)) * np.fft.rfft(second, axis=1)).sum(0)
    turn = 2 * math.pi * int(np.argmax(np.fft.irfft(spectrum, width))) / width
    sine, cosine = math.sin(turn), math.cos(turn)
    return np.array([(cosine, 0.0, sine), (0.0, 1.0, 0.0), (-sine, 0.0, cosine)])


def turned(frame: Single, rotation: ArrayLike, *, kernel: str = "cubic") -> Single:
    """Whole frame in which direction d shows what lay in direction ``rotation @ d``."""
    width = frame.shape[1]
    columns, lines = pixel_of(*yaw_pitch(_directions(width) @ np.asarray(rotation).T), width)
    return sample_frame(frame, 0, columns, lines, kernel=kernel, even_near_poles=False)


def _directions(width: int) -> Float:
    height = width // 2
    yaw, pitch = yaw_of_column(np.arange(width), width), pitch_of_row(np.arange(height), height)
    return direction(yaw[None], pitch[:, None])


def _contrast(luminance: Single, width: int) -> Single:
    """Local contrast of log luminance at a width, of like strength everywhere, between -2 and 2."""
    small = cv2.resize(luminance, (width, width // 2), interpolation=cv2.INTER_AREA)
    floor = 0.05 * float(np.median(small)) + 1e-9
    logs = pad(np.log(np.maximum(small, 0) + np.float32(floor)), width // 8)
    px = width / 360
    fine = cv2.GaussianBlur(logs, (0, 0), max(_FINE_DEG * px, 0.7))
    detail = fine - cv2.GaussianBlur(fine, (0, 0), max(_BROAD_DEG * px, 2.0))
    power = cv2.GaussianBlur(np.square(detail), (0, 0), max(2 * _BROAD_DEG * px, 4.0))
    least = 0.25 * float(np.sqrt(np.mean(power))) + 1e-6
    inside = width // 8
    even: Single = (detail / (np.sqrt(power) + least))[inside:-inside, inside:-inside]
    return np.ascontiguousarray(np.clip(even, -2, 2))


def _weight(height: int) -> Float:
    pitch = pitch_of_row(np.arange(height), height)
    return np.cos(np.radians(pitch)) * ((pitch < _HIGHEST_DEG) & (pitch > _LOWEST_DEG))


def _refined(target: Single, source: Single, rotation: Float) -> tuple[Float, float]:
    height, width = target.shape
    weight = np.broadcast_to(_weight(height)[:, None], target.shape)
    here = _directions(width)
    shown = turned(source, rotation)
    for _ in range(_STEPS):
        step = _step(target, shown, weight, here)
        rotation = np.asarray(rotation @ cv2.Rodrigues(step)[0], np.float64)
        shown = turned(source, rotation)
        if float(np.abs(step).max()) < _SETTLED:
            break
    return rotation, _correlation(target, shown, weight)


def _correlation(first: Single, second: Single, weight: Float) -> float:
    both, own, its = (
        float((weight * a * b).sum()) for a, b in ((first, second), (first, first), (second, second))
    )
    return both / math.sqrt(own * its + 1e-12)


def _step(target: Single, shown: Single, weight: Float, here: Float) -> Float:
    """One Gauss-Newton step: rotation vector, seen from the target's directions."""
    slopes, rest = _slopes(shown, here), (target - shown).astype(np.float64)
    scale = _HUBER * 1.4826 * float(np.median(np.abs(rest[weight > 0]))) + 1e-9
    robust = weight * np.minimum(1, scale / np.maximum(np.abs(rest), 1e-12))
    flat, each = slopes.reshape(-1, 3), robust.ravel()
    normal = flat.T @ (flat * each[:, None])
    normal[np.diag_indices(3)] += 1e-6 * np.trace(normal) + 1e-12
    step = np.asarray(np.linalg.solve(normal, flat.T @ (each * rest.ravel())), np.float64)
    longest = math.radians(2 * 360 / target.shape[1])
    return step * min(1.0, longest / max(float(np.linalg.norm(step)), 1e-12))


def _slopes(shown: Single, here: Float) -> Float:
    """Change of each pixel with a small rotation of what it shows, about x, y and z."""
    height, width = shown.shape
    per_radian = width / (2 * math.pi)
    padded = pad(shown, 1)
    across = (padded[1:-1, 2:] - padded[1:-1, :-2]) / 2 * per_radian
    up = (padded[:-2, 1:-1] - padded[2:, 1:-1]) / 2 * per_radian
    pitch = np.radians(pitch_of_row(np.arange(height), height))[:, None]
    across = across / np.maximum(np.cos(pitch), 1e-3)
    level = np.maximum(np.hypot(here[..., 0], here[..., 2]), 1e-9)
    sine, cosine = here[..., 0] / level, here[..., 2] / level
    east = np.stack([cosine, np.zeros_like(sine), -sine], -1)
    north = np.stack(
        [-sine * np.sin(pitch), np.broadcast_to(np.cos(pitch), sine.shape), -cosine * np.sin(pitch)], -1
    )
    return np.asarray(np.cross(here, east) * across[..., None] + np.cross(here, north) * up[..., None])
