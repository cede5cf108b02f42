"""How different two colours look: CIEDE2000."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Float = NDArray[np.float64]

_POWER_25_7 = 25.0**7


def delta_e_2000(lab1: ArrayLike, lab2: ArrayLike) -> Float:
    """CIEDE2000 colour difference, all parametric factors 1.

    Parameters
    ----------
    lab1, lab2 : array_like of shape (..., 3)
        L*, a*, b*, broadcast against each other.

    Returns
    -------
    ndarray of shape (...), dtype float64
        The difference; about 1 is just seen side by side.

    References
    ----------
    .. [1] G. Sharma, W. Wu, E. N. Dalal, The CIEDE2000 color-difference formula: implementation notes,
       supplementary test data, and mathematical observations, Color Res. Appl. 30, 2005. The numbers in
       the comments are its equations.
    """
    l1, a1, b1 = np.moveaxis(np.asarray(lab1, dtype=np.float64), -1, 0)
    l2, a2, b2 = np.moveaxis(np.asarray(lab2, dtype=np.float64), -1, 0)
    g = 0.5 * (1 - _saturating((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2))  # 4
    c1, h1 = _chroma_hue(a1 * (1 + g), b1)  # 5 to 7
    c2, h2 = _chroma_hue(a2 * (1 + g), b2)
    grey = c1 * c2 == 0
    turn = _hue_turn(h1, h2, grey)  # 10
    d_hue = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(turn) / 2)  # 11
    mean_l, mean_c = (l1 + l2) / 2, (c1 + c2) / 2  # 12, 13
    mean_h = _mean_hue(h1, h2, grey)  # 14
    s_l = 1 + 0.015 * (mean_l - 50) ** 2 / np.sqrt(20 + (mean_l - 50) ** 2)  # 18
    s_c = 1 + 0.045 * mean_c  # 19
    s_h = 1 + 0.015 * mean_c * _hue_weight(mean_h)  # 15, 20
    rotation = -2 * _saturating(mean_c) * np.sin(np.radians(60 * np.exp(-(((mean_h - 275) / 25) ** 2))))
    lightness, chroma, hue = (l2 - l1) / s_l, (c2 - c1) / s_c, d_hue / s_h
    return np.asarray(np.sqrt(lightness**2 + chroma**2 + hue**2 + rotation * chroma * hue))  # 22


def _saturating(chroma: Float) -> Float:
    seventh = chroma**7
    return np.asarray(np.sqrt(seventh / (seventh + _POWER_25_7)))


def _chroma_hue(a: Float, b: Float) -> tuple[Float, Float]:
    return np.hypot(a, b), np.degrees(np.arctan2(b, a)) % 360


def _hue_turn(h1: Float, h2: Float, grey: NDArray[np.bool_]) -> Float:
    turn = h2 - h1
    turn = np.where(turn > 180, turn - 360, np.where(turn < -180, turn + 360, turn))
    return np.where(grey, 0.0, turn)


def _mean_hue(h1: Float, h2: Float, grey: NDArray[np.bool_]) -> Float:
    total = h1 + h2
    around = np.where(total < 360, total + 360, total - 360)
    return np.where(grey, total, np.where(np.abs(h1 - h2) <= 180, total, around) / 2)


def _hue_weight(hue_deg: Float) -> Float:
    def cosine(times: int, phase_deg: float) -> Float:
        return np.asarray(np.cos(np.radians(times * hue_deg + phase_deg)))

    return 1 - 0.17 * cosine(1, -30) + 0.24 * cosine(2, 0) + 0.32 * cosine(3, 6) - 0.20 * cosine(4, -63)
