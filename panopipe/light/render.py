"""The arithmetic of the tonal rendering on a band of pixels, once all has been learned.

A pixel is multiplied by the gain of its place and luminance. What then lies beyond the shoulder's knee goes
over the shoulder and loses chroma, so that no channel leaves the screen.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import XYZ_FROM_SRGB
from panopipe.colour.workspace import few_rows, scratch
from panopipe.light.curve import KNEE
from panopipe.light.local import MOST_ROWS, LocalCurves, RowCurves
from panopipe.pixels.matrix import transform_rows

Plane32 = NDArray[np.float32]
Float = NDArray[np.float64]

HEADROOM = 0.3
"""Part of the way from luminance to each channel that is left free beyond it, so that chroma raised later
finds room below clipping."""
CHANNEL_SHARE = 0.35
"""Share of the shoulder that each channel takes by itself, as film and eye do; the rest takes from chroma
alone. By chroma alone an orange wall in lamplight runs to pink and a sky to violet, by channel to yellow and
to cyan; with this share Oklab hue stays about where it was."""
LUMINANCE_OF_SRGB = XYZ_FROM_SRGB[1].astype(np.float32)


@dataclass(frozen=True, slots=True)
class View:
    """Daylight seen from a room.

    Attributes
    ----------
    shares : LocalCurves
        By place and luminance: share of light that is such daylight.
    change : ndarray of shape (3, 3), dtype float64
        Makes of light what is added to it, by its share, to bring it nearer to the white of the room.
    """

    shares: LocalCurves
    change: Float


@dataclass(frozen=True, slots=True)
class Rendering:
    """What a band needs.

    Attributes
    ----------
    luminance : ndarray of shape (1, 3), dtype float32
        Weights of luminance as it will be after balance.
    screen, from_screen : ndarray of shape (3, 3), dtype float64
        From light to linear sRGB as it will be after balance, and back.
    gains : LocalCurves
        By place and luminance: gain by all but the shoulder, as a natural logarithm.
    white_point : float or None
        Display light, before the shoulder, that is shown as white; None if there is no shoulder.
    views : View or None
        Light that is not of the room; None if it has no colour of its own.
    """

    luminance: Plane32
    screen: Float
    from_screen: Float
    gains: LocalCurves
    white_point: float | None
    views: View | None = None


def render(rows: Plane32, first: int, rendering: Rendering) -> None:
    """Change a band in place.

    Parameters
    ----------
    rows : ndarray of shape (n, width, 3), dtype float32, contiguous
        Linear light in the working space, before balance.
    first : int
        Row of the frame that ``rows[0]`` is.
    rendering : Rendering
        What was learned of the frame.
    """
    for start in range(0, rows.shape[0], MOST_ROWS):
        _render(rows[start : start + MOST_ROWS], first + start, rendering)


def _render(rows: Plane32, first: int, rendering: Rendering) -> None:
    size = first, *rows.shape[:2]
    gains = rendering.gains.of_rows(*size)
    views = None if rendering.views is None else rendering.views.shares.of_rows(*size)
    for start, few in few_rows(rows):
        _render_few(few, start, gains, views, rendering)


def _render_few(
    rows: Plane32, start: int, gains: RowCurves, views: RowCurves | None, rendering: Rendering
) -> None:
    shape = rows.shape[:2]
    light = cv2.transform(rows, rendering.luminance, dst=scratch("tone light", shape))
    gain = gains.at(start, light, out=scratch("tone gain", shape))
    cv2.exp(gain, dst=gain)
    if views is not None and rendering.views is not None:
        _change(rows, views.at(start, light, out=scratch("tone view", shape)), rendering.views.change)
    _multiply(rows, gain)
    if rendering.white_point is not None:
        _roll_off(rows, rendering, rendering.white_point)


def _change(rows: Plane32, share: Plane32, change: Float) -> None:
    if share.max() > 0:
        added = transform_rows(rows, change, out=scratch("tone change", rows.shape))
        cv2.accumulateProduct(added, _three(share), rows)


def _multiply(rows: Plane32, gain: Plane32) -> None:
    cv2.multiply(rows, _three(gain), dst=rows)


def _three(plane: Plane32) -> Plane32:
    three: Plane32 = cv2.cvtColor(plane, cv2.COLOR_GRAY2BGR, dst=scratch("tone three", (*plane.shape, 3)))
    return three


def _roll_off(rows: Plane32, rendering: Rendering, white_point: float) -> None:
    """Luminance goes over the shoulder, and chroma shrinks until the strongest channel goes over it as well.

    What is brighter stays brighter, whatever its colour, and near white it runs into the white of the frame.
    """
    channels = transform_rows(rows, rendering.screen, out=scratch("tone channels", rows.shape))
    light = cv2.transform(rows, rendering.luminance, dst=scratch("tone light", rows.shape[:2]))
    channels *= np.float32(1 + HEADROOM)
    channels -= np.multiply(light, np.float32(HEADROOM), out=scratch("tone part", light.shape))[..., None]
    strongest = np.maximum(channels[..., 0], channels[..., 1], out=scratch("tone strongest", light.shape))
    np.maximum(strongest, channels[..., 2], out=strongest)
    if strongest.max() <= KNEE:
        return
    over = strongest > KNEE
    shown = _shown(channels[over], light[over], strongest[over], white_point)
    rows[over] = transform_rows(shown[None], rendering.from_screen)[0]


def _shown(channels: Plane32, light: Plane32, strongest: Plane32, white_point: float) -> Plane32:
    """Linear sRGB on the screen of pixels (n, 3) whose chroma was raised by `HEADROOM`."""
    lowered = _lowered(light, white_point)
    lost = (_lowered(strongest, white_point) - lowered) / np.maximum(strongest - light, np.float32(1e-6))
    kept = 1 - np.clip(lost, 0, 1)
    by_chroma = (channels - light[:, None]) * kept[:, None]
    light = light - lowered
    by_channel = channels - _lowered(channels, white_point)
    missing = light - sum(by_channel[:, k] * LUMINANCE_OF_SRGB[k] for k in range(3))
    towards_white = missing / np.maximum(1 - light + missing, np.float32(1e-6))
    by_channel += towards_white[:, None] * (1 - by_channel) - light[:, None]
    chroma = by_chroma + np.float32(CHANNEL_SHARE) * (by_channel - by_chroma)
    shown: Plane32 = light[:, None] + chroma * np.float32(1 / (1 + HEADROOM))
    return shown


def _lowered(light: Plane32, white_point: float) -> Plane32:
    """How far the shoulder lowers light; what lies beyond the white point comes out as white.

    The same curve as `panopipe.light.curve.shoulder`, taken from a straight line.
    """
    room = (white_point - KNEE) / (1 - KNEE)
    inside = np.clip(light, np.float32(KNEE), np.float32(white_point))
    part = (inside - np.float32(KNEE)) * np.float32(1 / (1 - KNEE))
    lowered: Plane32 = part * part / (1 + part) * np.float32((1 - KNEE) * (1 - 1 / room**2))
    lowered += np.maximum(light - inside, 0)
    return lowered
