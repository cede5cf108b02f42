"""Procedural textures of the test scenes: functions of a place on a surface in metres.

Each returns the brightness of the surface (1 is its own reflectance) and a share in 0 to 1 of its second
colour. They are hashed from the place, so that two frames see the same plank.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Places = NDArray[np.float32]
Texture = Callable[[Places, Places], tuple[Places, Places]]


def plaster(u: Places, v: Places) -> tuple[Places, Places]:
    """Nearly even, as a painted wall is."""
    return 1 + 0.012 * (smooth_noise(u * 3, v * 3, 1) - 0.5), np.zeros_like(u)


def planks(u: Places, v: Places) -> tuple[Places, Places]:
    """Boards 14 cm wide and about 1.5 m long, staggered, with grain and dark joints."""
    row = np.floor(v / 0.14)
    along = u / 1.5 + hashed(row, row * 0, 2)
    board = hashed(np.floor(along), row, 3)
    joint = (np.abs(v / 0.14 - row - 0.5) > 0.48) | (np.abs(along - np.floor(along) - 0.5) > 0.497)
    grain = smooth_noise(u * 4, v * 70, 4) - 0.5 + 0.5 * (smooth_noise(u * 1.5, v * 25, 5) - 0.5)
    bright = (0.78 + 0.44 * board + 0.22 * grain) * np.where(joint, 0.55, 1)
    return bright.astype(np.float32), np.clip(0.5 + 0.9 * (board - 0.5) + 0.5 * grain, 0, 1)


def tiles(u: Places, v: Places) -> tuple[Places, Places]:
    """Squares of 30 cm with joints of the second colour."""
    a, b = np.floor(u / 0.3), np.floor(v / 0.3)
    joint = (np.abs(u / 0.3 - a - 0.5) > 0.485) | (np.abs(v / 0.3 - b - 0.5) > 0.485)
    cloud = smooth_noise(u * 6, v * 6, 6) - 0.5
    return (0.92 + 0.16 * hashed(a, b, 7) + 0.14 * cloud).astype(np.float32), joint.astype(np.float32)


def carpet(u: Places, v: Places) -> tuple[Places, Places]:
    """Fine pile with soft stains of the second colour."""
    pile = smooth_noise(u * 90, v * 90, 8) - 0.5
    return (1 + 0.3 * pile).astype(np.float32), 0.6 * smooth_noise(u * 2.5, v * 2.5, 9)


def woven(u: Places, v: Places) -> tuple[Places, Places]:
    """Cloth with a check of the second colour."""
    check = (np.floor(u / 0.11) + np.floor(v / 0.11)) % 2
    return (0.95 + 0.1 * smooth_noise(u * 40, v * 40, 10)).astype(np.float32), check.astype(np.float32)


def painting(seed: int) -> Texture:
    """A picture of blots and bars of the second colour; every seed is another one."""

    def texture(u: Places, v: Places) -> tuple[Places, Places]:
        blots = smooth_noise(u * 7, v * 7, seed) + 0.5 * smooth_noise(u * 19, v * 19, seed + 1)
        bars = hashed(np.floor(u * 5.3), np.floor(v * 4.1), seed + 2)
        bright = 0.35 + 1.1 * bars * (0.4 + blots / 1.5)
        return bright.astype(np.float32), (blots + 0.3 * bars > 0.85).astype(np.float32)

    return texture


def hashed(i: Places, j: Places, seed: int) -> Places:
    """A number in 0 to 1 for every pair of whole numbers."""
    a = (i.astype(np.int64) * 374761393 + j.astype(np.int64) * 668265263 + seed * 974634533) & 0x7FFFFFFF
    a = ((a ^ (a >> 13)) * 1274126177) & 0x7FFFFFFF
    return ((a ^ (a >> 16)) & 0xFFFF).astype(np.float32) / np.float32(65535)


def smooth_noise(u: Places, v: Places, seed: int) -> Places:
    """Value noise in 0 to 1 with one lattice point per unit."""
    i, j = np.floor(u), np.floor(v)
    s, t = u - i, v - j
    s, t = s * s * (3 - 2 * s), t * t * (3 - 2 * t)
    low = hashed(i, j, seed) * (1 - s) + hashed(i + 1, j, seed) * s
    high = hashed(i, j + 1, seed) * (1 - s) + hashed(i + 1, j + 1, seed) * s
    return (low * (1 - t) + high * t).astype(np.float32)
