"""Where the soft shadow of a foot most likely falls in one frame, so that it is covered too.

A cast shadow is a lobe that starts under the foot, widens and fades away from a light. On a patterned floor
it drowns in the pattern; but to cover a lobe too much costs a little floor, which is rebuilt as well. So the
lobe that explains most of the darkness around the foot is always covered, if there is any.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]
Float = NDArray[np.float64]

STEP_DEG = 0.5
"""Height of a row of the ring map."""
_DIRECTIONS = 64
_START, _LENGTH, _WIDTH, _SPREAD = 0.5, 0.6, 0.5, 0.4
"""A lobe's start, fading length, half-width and widening, in radii of the foot (a window's half-shadow)."""
_DEPTH = 0.25
"""Share of light that a lobe takes where it starts: a lamp or window that gives a quarter of the light."""
_SHADOW_SHARE = 0.03
"""Loss of light that counts as shadow."""
_REACH = 2.6
"""How far out the floor is looked at, in radii of the foot."""


def cast_shadow_deg(luma: Picture, chroma: Picture, from_deg: Float, foot_deg: float) -> Float:
    """Angle from the nadir, in each direction, to which the likeliest cast shadow reaches.

    Parameters
    ----------
    luma : ndarray of shape (rows, columns), dtype float32
        Log luminance of a ring map.
    chroma : ndarray of shape (rows, columns, 2), dtype float32
        Its colour, in units of what counts as different, about that of the floor.
    from_deg : ndarray of shape (columns,), dtype float64
        Where floor begins in each direction.
    foot_deg : float
        Angular radius of the foot.

    Returns
    -------
    ndarray of shape (columns,), dtype float64
        Degrees; zero where no shadow falls.
    """
    rows, columns = luma.shape
    angle = ((np.arange(rows) + 0.5) * STEP_DEG)[:, None]
    yaw = (np.arange(columns) + 0.5) * (2 * np.pi / columns)
    far = np.tan(np.radians(angle)) / np.tan(np.radians(foot_deg))
    x, y = far * np.sin(yaw), far * np.cos(yaw)
    looked_at = (angle > from_deg + STEP_DEG) & (far < _REACH)
    if looked_at.sum() < 100:
        return np.zeros(columns)
    lobe = _lobe(x, y)
    lobes = np.array([np.roll(lobe, step * columns // _DIRECTIONS, axis=1) for step in range(_DIRECTIONS)])
    weight = np.broadcast_to(np.sqrt(np.sin(np.radians(angle))), x.shape)
    even = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y, *_stuff(chroma)], -1)
    best = _darkest(luma[looked_at], lobes[:, looked_at], even[looked_at], weight[looked_at])
    if best is None:
        return np.zeros(columns)
    dark = lobes[best] * _DEPTH > _SHADOW_SHARE
    reach: Float = np.where(dark, angle + STEP_DEG / 2, 0.0).max(axis=0)
    return reach


def _lobe(aside: Float, away: Float) -> Float:
    """The shadow of a foot, away from a light, at places given in radii of the foot."""
    beyond = np.maximum(away - _START, 0)
    across = np.exp(-np.square(aside / (_WIDTH + _SPREAD * beyond)))
    lobe: Float = across * np.exp(-beyond / _LENGTH) * (away > _START)
    return lobe


def _stuff(chroma: Picture) -> list[Float]:
    """What may tell one material from another: a shadow leaves colour as it is."""
    one, two = np.tanh(chroma[..., 0].astype(np.float64)), np.tanh(chroma[..., 1].astype(np.float64))
    return [one, two, one * one, one * two, two * two]


def _darkest(luma: Picture, lobes: Float, even: Float, weight: Float) -> int | None:
    """The lobe that explains most darkness, next to an even slope and bend of the light and to materials."""
    even, _ = np.linalg.qr(even * weight[:, None])
    seen = luma.astype(np.float64)
    middle = float(np.median(seen))
    bound = 3 * 1.4826 * float(np.median(np.abs(seen - middle))) + 0.02
    light = np.clip(seen - middle, -bound, bound) * weight
    shapes = lobes.T * weight[:, None]
    light, shapes = light - even @ (even.T @ light), shapes - even @ (even.T @ shapes)
    along = shapes.T @ light
    explained = np.where(along < 0, np.square(along), 0) / (np.einsum("ij,ij->j", shapes, shapes) + 1e-12)
    best = int(explained.argmax())
    return best if explained[best] > 0 else None
