"""Local features of a frame, found where what is seen has its true form.

Two frames of a room see a wall under very different angles, and a feature of it looks the same only where the
wall is drawn square on. So the heading of the walls is found first, from what the frame's level edges run
towards, and four flat views are drawn along it, wrapping around; a wall then differs between two frames by
scale and shift alone. The floor is drawn as seen straight down (`panopipe.studies.stands.floor`). All of it
is found on the frame at reduced size.

References
----------
.. [1] D. G. Lowe, Distinctive image features from scale-invariant keypoints, Int. J. Computer Vision 60(2),
   2004.
.. [2] J. M. Coughlan, A. L. Yuille, Manhattan World, ICCV 1999: the heading of a room from its edges.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import LUMINANCE_OF_WORKING
from panopipe.frame import Rows
from panopipe.sphere.geometry import pitch_of_row, yaw_of_column
from panopipe.sphere.views import View, view_towards, views_from_frame
from panopipe.studies.stands.around import band_around
from panopipe.studies.stands.floor import floor_detail

Single = NDArray[np.float32]
Float = NDArray[np.float64]

_FIELD_DEG, _SIDE_PX, _HEIGHT_PX = 108.0, 212, 148
"""Each of the four views: they overlap, so that a wall is whole in one of them."""
_MOST_AROUND = 520
_CODES_PER_EV, _BROAD_PX = 56.0, 16.0
"""Codes that one EV of detail takes, and the blur that detail is what is left of."""
_CONTRAST = 0.012
"""Least contrast of a feature, as a share of 255 codes."""
_DOUBLING_PX = 0.25
"""How far right and down the detector puts what it finds: it looks at the picture drawn twice as large, whose
first pixel covers the first quarter of the picture's own. (Its `enable_precise_upscale` avoids that, but
interpolates every other pixel only, and finds less.)"""
_HEADING_BINS = 180
_EDGES_WIDTH = 512


@dataclass(frozen=True, slots=True, eq=False)
class Features:
    """Local features of a frame, the strongest first.

    Attributes
    ----------
    heading_deg : float
        Yaw of one of the four directions of the walls, from 0 to 90, in the frame's arrays.
    walls : float
        How clearly the edges tell it: the peak of their votes over the mean.
    descriptors : ndarray of shape (n, 128), dtype uint8
        What they look like.
    directions : ndarray of shape (n, 3), dtype float32
        Where they are seen, in the frame's arrays.
    views : ndarray of shape (n,), dtype uint8
        Which of the four views shows each: 0 looks along `heading_deg`, the others turn right.
    angles_deg, sizes : ndarray of shape (n,), dtype float32
        How each stands in the upright view, and its diameter there.
    floor : ndarray of shape (140, 140), dtype int8
        Detail of the floor, `heading_deg` at its top.
    around : ndarray of shape (48, 720), dtype int8
        Detail of the band about the horizon.
    """

    heading_deg: float
    walls: float
    descriptors: NDArray[np.uint8]
    directions: Single
    views: NDArray[np.uint8]
    angles_deg: Single
    sizes: Single
    floor: NDArray[np.int8]
    around: NDArray[np.int8]


def find_features(rows: Rows) -> Features:
    """Find the features of a whole frame at reduced size.

    Parameters
    ----------
    rows : ndarray of shape (height, width, 3), dtype float32
        Linear light in the working space.
    """
    light = np.asarray(rows @ LUMINANCE_OF_WORKING.astype(np.float32), np.float32)
    heading_deg, walls = walls_heading(light)
    around = [_view(heading_deg + 90.0 * number) for number in range(4)]
    drawn = views_from_frame(light, 0, around, kernel="linear")
    seen = [_in_view(*one, number) for number, one in enumerate(zip(drawn, around, strict=True))]
    parts = [np.concatenate(part) for part in zip(*seen, strict=True)]
    order = np.argsort(-parts[5], kind="stable")[:_MOST_AROUND]
    descriptors, directions, views, angles, sizes = (part[order] for part in parts[:5])
    floor = floor_detail(light, heading_deg)
    return Features(
        heading_deg, walls, descriptors, directions, views, angles, sizes, floor, band_around(light)
    )


def walls_heading(light: Single) -> tuple[float, float]:
    """Heading of the walls (0 to 90 degrees) and how clear it is, from the level edges of a frame.

    An edge in space and the camera span a plane, whose normal is the gradient of the picture on the sphere; a
    level edge runs in the one level direction of that plane. Upright edges and the horizon tell nothing.
    """
    if light.shape[1] > _EDGES_WIDTH:
        light = cv2.resize(light, (_EDGES_WIDTH, _EDGES_WIDTH // 2), interpolation=cv2.INTER_AREA)
    height, width = light.shape
    stops = np.log2(np.maximum(light, np.float32(1e-4)))
    stops = cv2.GaussianBlur(np.concatenate([stops[:, -8:], stops, stops[:, :8]], axis=1), (0, 0), 1.0)
    across = cv2.Scharr(stops, cv2.CV_32F, 1, 0)[:, 8:-8] / 32
    down = cv2.Scharr(stops, cv2.CV_32F, 0, 1)[:, 8:-8] / 32
    pitch = np.radians(pitch_of_row(np.arange(height), height))[:, None]
    yaw = np.radians(yaw_of_column(np.arange(width), width))[None, :]
    across = across / np.maximum(np.cos(pitch), 0.2)
    strength = np.hypot(across, down)
    use = (
        (strength > _edge_floor(strength))
        & (np.abs(pitch) < np.radians(65))
        & (np.abs(pitch) > np.radians(3))
    )
    row, column = np.nonzero(use)
    sideways, upward = across[row, column], -down[row, column]
    p, w = pitch[row, 0], yaw[0, column]
    normal_x = sideways * np.cos(w) - upward * np.sin(p) * np.sin(w)
    normal_z = -sideways * np.sin(w) - upward * np.sin(p) * np.cos(w)
    normal_y = upward * np.cos(p)
    size = np.maximum(strength[row, column], 1e-6)
    level, steep = np.hypot(normal_x, normal_z) / size, np.abs(normal_y) / size
    weight = np.minimum(size, 1.0) * np.cos(p) * level * (steep > 0.25)
    run = np.degrees(np.arctan2(normal_z, -normal_x)) % 90.0
    votes = np.bincount((run * (_HEADING_BINS / 90.0)).astype(int) % _HEADING_BINS, weight, _HEADING_BINS)
    return _peak(votes.astype(np.float64))


def _edge_floor(strength: Single) -> float:
    return max(0.02, float(np.quantile(strength, 0.8)))


def _peak(votes: Float) -> tuple[float, float]:
    around = np.arange(-6, 7)
    kernel = np.exp(-0.5 * np.square(around / 2.0))
    ringed = np.pad(votes, 6, mode="wrap")
    smooth = np.convolve(ringed, kernel / kernel.sum(), mode="valid")
    top = int(smooth.argmax())
    near = votes[(top + around) % _HEADING_BINS] * kernel
    offset = float((near * around).sum() / max(near.sum(), 1e-9))
    clear = float(smooth[top] / max(smooth.mean(), 1e-9))
    return (top + 0.5 + offset) * (90.0 / _HEADING_BINS) % 90.0, clear


def _in_view(light: Single, view: View, number: int) -> tuple[NDArray[np.generic], ...]:
    """Features of one of the four views: descriptors, directions, view, angles, sizes, strength."""
    found = _detected(_lightness(light), _MOST_AROUND // 2)
    right = (found.at[:, 0] + 0.5 - view.width / 2) / view.focal_px
    up = (view.height / 2 - found.at[:, 1] - 0.5) / view.focal_px
    ray = np.stack([right, up, np.ones_like(up)], axis=-1)
    unit = ray / np.linalg.norm(ray, axis=-1, keepdims=True) @ view.axes.T
    return (
        found.descriptors,
        unit.astype(np.float32),
        np.full(len(unit), number, np.uint8),
        found.angle,
        found.size,
        found.strength,
    )


def _view(yaw_deg: float) -> View:
    return view_towards(yaw_deg, 0.0, field_deg=_FIELD_DEG, width=_SIDE_PX, height=_HEIGHT_PX)


def _lightness(light: Single) -> NDArray[np.uint8]:
    """8-bit detail of lightness: a dark corner and a bright window have the same structure."""
    stops = np.log2(np.maximum(light, np.float32(1e-4)))
    broad = cv2.GaussianBlur(stops, (0, 0), _BROAD_PX, borderType=cv2.BORDER_REPLICATE)
    codes = (stops - broad) * np.float32(_CODES_PER_EV) + np.float32(128)
    detail: NDArray[np.uint8] = np.clip(codes, 0, 255).astype(np.uint8)
    return detail


@dataclass(frozen=True, slots=True, eq=False)
class _Detected:
    at: Float
    angle: Single
    size: Single
    strength: Single
    descriptors: NDArray[np.uint8]


def _detected(picture: NDArray[np.uint8], most: int) -> _Detected:
    """The strongest features of a picture."""
    detector = cv2.SIFT.create(nfeatures=2 * most, contrastThreshold=_CONTRAST)
    found, descriptors = detector.detectAndCompute(picture, None)
    if descriptors is None:
        none = np.zeros(0, np.float32)
        return _Detected(np.zeros((0, 2)), none, none, none, np.zeros((0, 128), np.uint8))
    at = np.array([point.pt for point in found], np.float64) - _DOUBLING_PX
    facts = np.array([(point.angle, point.size, point.response) for point in found], np.float32)
    keep = np.lexsort((facts[:, 0], at[:, 0], at[:, 1], -facts[:, 2]))[:most]
    angle, size, strength = facts[keep].T
    return _Detected(at[keep], angle, size, strength, np.clip(descriptors[keep], 0, 255).astype(np.uint8))
