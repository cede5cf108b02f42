"""The tonal rendering of a band: a gain by place and luminance, then a shoulder that no channel leaves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.compiled import compiled
from panopipe.pixels.functions import exp2, log2
from panopipe.pixels.gamut import mixed

Floats = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Shoulder:
    """How light above a knee is lowered, and colour with it.

    Attributes
    ----------
    white_point : float
        Luminance that is shown as white; 0 for no shoulder at all.
    knee : float
        Luminance up to which nothing changes.
    headroom : float
        Part of the way from luminance to each channel that is left free beyond it.
    crowded : float
        Share of the room between luminance and white that colour takes as it is.
    channel_share : float
        Share of what colour loses for want of room that each channel loses by itself; of the rest, all lose
        alike.
    tint : float
        Difference between the strongest and the weakest channel, against luminance, that is half a tint of
        white and half a colour: above the knee tints run into white, colours keep their saturation.
    glow : tuple of float
        Luminance up to which colours do so, and from which all light runs into white.
    """

    white_point: float
    knee: float
    headroom: float
    crowded: float
    channel_share: float
    tint: float
    glow: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Zone:
    """Part of a frame that has gains of its own.

    Attributes
    ----------
    gains : ndarray of shape (rows + 2, columns + 2, levels), dtype float32
        Its gains in EV, of the cells and levels of the others.
    planes : ndarray of shape (rows + 2, columns + 2, 4), dtype float32
        By place, on a whole grid of its own continued by one cell on all sides: share of the zone that a
        level adds, that red light adds and blue light as parts of the sum of all three, and its share without
        any; what they give is cut off at 0 and 1. So the border of the zone is as fine as the frame, where
        light or colour differs on both sides of it.
    relit : ndarray of shape (rows + 2, columns + 2, 6), dtype float32, or None
        By place, on such a grid of its own: gains of its channels, and gains of what is not of it, such as
        bars before a view; before all else but its share.
    """

    gains: Floats
    planes: Floats
    relit: Floats | None = None


def render(  # noqa: PLR0913 - what the kernel is handed at once
    rows: Floats,
    first: int,
    *,
    gains: Floats,
    shares: Floats | None,
    zone: Zone | None = None,
    levels_ev: tuple[float, float],
    weights: Floats,
    saturating: tuple[float, float],
    rebuilt: tuple[float, float],
    shoulder: Shoulder,
) -> None:
    """Change rows of a frame in place.

    Parameters
    ----------
    rows : ndarray of shape (n, width, 3), dtype float32, contiguous
        Linear light.
    first : int
        Row of the frame, of width / 2 rows, that ``rows[0]`` is.
    gains, shares : ndarray of shape (rows + 2, columns + 2, levels), dtype float32
        By place and log2 luminance: gain in EV; share of light that `change` is applied to, or None. On a
        whole grid of equal cells that is continued by one cell on all sides. Beyond the levels the outermost
        value holds.
    zone : Zone or None
        Part of the frame that has gains of its own, and is changed wholly if there are shares.
    levels_ev : tuple of float
        Log2 luminance of the first level, and the step between levels.
    weights : ndarray of shape (12, 3), dtype float32
        Luminance of light (1 row); light to the screen's channels (3) and back (3); what is added to light by
        its share (3); luminance of the screen's channels (1); gains of channels by the balance to come (1).
    saturating : tuple of float
        Least of the three channels, balanced, from which light has saturated a sensor in part and from which
        wholly: it is white already, and neither `shares` nor `Zone.relit` changes its colour.
    rebuilt : tuple of float
        Strongest of the three channels, balanced, from which light was rebuilt in part, and from which
        surely: its colour is a guess, and runs into white as tints do.
    shoulder : Shoulder
        What happens to bright light.
    """
    none, unparted = np.empty((0, *gains.shape[1:]), np.float32), np.empty((0, 3, 4), np.float32)
    as_it_is = np.empty((0, 3, 6), np.float32)
    lowest_ev, level_ev = levels_ev
    rolled = (shoulder.white_point, shoulder.knee, shoulder.headroom, shoulder.crowded)
    coloured = (shoulder.channel_share, 1 / shoulder.tint, *_ramp(shoulder.glow))
    _render(
        rows,
        gains,
        none if shares is None else shares,
        none if zone is None else zone.gains,
        unparted if zone is None else zone.planes,
        as_it_is if zone is None or zone.relit is None else zone.relit,
        weights,
        first,
        lowest_ev,
        1 / level_ev,
        *_ramp(saturating),
        *_ramp(rebuilt),
        *rolled,
        *coloured,
    )


def _ramp(ends: tuple[float, float]) -> tuple[float, float]:
    """Where a ramp begins, and how steep it is."""
    low, high = ends
    return low, 1 / (high - low)


@compiled("render")
def _render(
    rows: Floats,
    gains: Floats,
    shares: Floats,
    zone_gains: Floats,
    zone_planes: Floats,
    zone_relit: Floats,
    weights: Floats,
    first: int,
    *numbers: float,
) -> None:
    lowest_ev, per_level, low, per_light, rebuilt_from, per_rebuilt, *shoulder = numbers
    bright = [np.float32(number) for number in shoulder]
    for number, row in enumerate(rows, first):
        light = row.T.copy()
        strongest = (light * weights[11][:, None]).max(axis=0)
        measured = np.float32(1) - _eased(strongest, np.float32(rebuilt_from), np.float32(per_rebuilt))
        (luminance,) = mixed(weights[:1], light)
        level = (log2(np.maximum(luminance, np.float32(1e-30))) - np.float32(lowest_ev)) * np.float32(
            per_level
        )
        gain = read_curves(curves_of_row(gains, number, len(row)), level)
        share = read_curves(curves_of_row(shares, number, len(row)), level) if len(shares) else None
        if len(zone_gains):
            part = read_planes(curves_of_row(zone_planes, number, len(row)), light, level, gains.shape[2])
            gain += part * (read_curves(curves_of_row(zone_gains, number, len(row)), level) - gain)
            if share is not None:
                share += part * (np.float32(1) - share)
            if len(zone_relit):
                relit = between_columns(curves_of_row(zone_relit, number, len(row)), len(row)).T
                change = (relit[3:] - np.float32(1)) + part * (relit[:3] - relit[3:])
                light += (_unsaturated(light, weights[11], low, per_light) * change) * light
        if share is not None:
            share = share * _unsaturated(light, weights[11], low, per_light)
            light += share * mixed(weights[7:10], light)
        light *= exp2(np.clip(gain, -126, 126))
        if bright[0] > 0:
            _roll_off(light, measured, weights, bright)
        row[:] = light.T


def _unsaturated(light: Floats, balance: Floats, low: float, per_light: float) -> Floats:
    """How far each pixel of a row (3, width) saturated no sensor, 1 to 0."""
    least = (light * balance[:, None]).min(axis=0)
    unsaturated: Floats = np.float32(1) - _eased(least, np.float32(low), np.float32(per_light))
    return unsaturated


def _eased(value: Floats, low: np.float32, per_value: np.float32) -> Floats:
    """A cubic from 0 at `low` to 1."""
    part = np.clip((value - low) * per_value, np.float32(0), np.float32(1))
    eased: Floats = part * part * (np.float32(3) - np.float32(2) * part)
    return eased


def curves_of_row(table: Floats, row: int, width: int) -> Floats:
    """Curves (columns + 2, levels) of a row of a frame, between those of a table (rows + 2, ...)."""
    place = (row + 0.5) * ((len(table) - 2) / (width // 2)) + 0.5
    above = min(max(int(place), 0), len(table) - 2)
    curves: Floats = (table[above + 1] - table[above]) * np.float32(place - above) + table[above]
    return curves


def read_planes(planes: Floats, light: Floats, level: Floats, levels: int) -> Floats:
    """How far each pixel of a row belongs to a zone, 0 to 1.

    Parameters
    ----------
    planes : ndarray of shape (columns + 2, 4), dtype float32
        By column: share that a level adds, that red and blue add as parts of all light, and without any.
    light : ndarray of shape (3, width), dtype float32
        Red, green and blue.
    level : ndarray of shape (width,), dtype float32
        Place of each pixel among the levels.
    levels : int
        Number of levels.
    """
    by_level, by_red, by_blue, without = between_columns(planes, len(level)).T
    level = np.clip(level, 0, np.float32(levels - 1))
    total = np.maximum(light[0] + light[1] + light[2], np.float32(1e-30))
    red, blue = np.clip(light[0] / total, 0, 1), np.clip(light[2] / total, 0, 1)
    share: Floats = np.clip(level * by_level + red * by_red + blue * by_blue + without, 0, 1)
    return share


def between_columns(table: Floats, width: int) -> Floats:
    """Values (width, k) of a row's pixels between the columns of a table (columns + 2, k)."""
    columns = len(table)
    per_column = np.float32((columns - 2) / width)
    column = np.arange(width, dtype=np.float32) * per_column + (
        np.float32(0.5) * per_column + np.float32(0.5)
    )
    column = np.clip(column, 0, np.float32(columns - 1))
    left = np.minimum(column, np.float32(columns - 2)).astype(np.int32)
    right = (column - left.astype(np.float32))[:, None]
    values: Floats = table[left] + right * (table[left + 1] - table[left])
    return values


def read_curves(curves: Floats, level: Floats) -> Floats:
    """Values of a row's curves at each of its pixels, between levels and columns.

    Parameters
    ----------
    curves : ndarray of shape (columns + 2, levels), dtype float32
        By column and level.
    level : ndarray of shape (width,), dtype float32
        Place of each pixel among the levels.
    """
    columns, levels = curves.shape
    per_column = np.float32((columns - 2) / len(level))
    column = np.arange(len(level), dtype=np.float32) * per_column + (
        np.float32(0.5) * per_column + np.float32(0.5)
    )
    level = np.clip(level, 0, np.float32(levels - 1))
    column = np.clip(column, 0, np.float32(columns - 1))
    below = np.minimum(level, np.float32(levels - 2)).astype(np.int32)
    left = np.minimum(column, np.float32(columns - 2)).astype(np.int32)
    up, right = level - below.astype(np.float32), column - left.astype(np.float32)
    low = curves[left, below] + right * (curves[left + 1, below] - curves[left, below])
    high = curves[left, below + 1] + right * (curves[left + 1, below + 1] - curves[left, below + 1])
    values: Floats = low + up * (high - low)
    return values


def _roll_off(light: Floats, measured: Floats, weights: Floats, bright: Sequence[np.float32]) -> None:
    """Luminance goes over the shoulder; tints fade with it, colours stay, and no channel leaves the screen.

    What is brighter stays brighter, whatever its colour. What the screen has no room for goes over a shoulder
    of its own, on the way from luminance to a channel, whose end is the white of the screen. It does so in
    two ways, mixed: all chroma shrinks until the strongest channel finds room; and each channel goes over by
    itself, with white added until luminance is right.
    """
    white_point, knee, headroom, crowded, channel_share, *colours = bright
    one, least, none = np.float32(1), np.float32(1e-6), np.float32(0)
    room, scale = (white_point - knee) / (one - knee), one / (one - knee)
    bend = (one - knee) * (one - one / (room * room))
    (own,) = mixed(weights[:1], light)
    away = (mixed(weights[1:4], light) - own) * (one + headroom)
    strongest = away.max(axis=0)
    over = (own > knee) | (strongest > (one - own) * crowded)
    own, away, strongest, measured = own[over], away[:, over], strongest[over], measured[over]
    inside = np.clip(own, knee, white_point)
    part = (inside - knee) * scale
    shown = own - (part * part / (one + part) * bend + np.maximum(own - inside, none))
    left, flat = one - shown, one - np.maximum(shown - knee, none) * scale
    spread = (strongest - away.min(axis=0)) * (one / (one + headroom))
    fade = _faded(own, shown, flat, spread, measured, *colours)
    per_left, wide = fade / np.maximum(left, least), one / (one - crowded)

    def gives_way(away: Floats) -> Floats:
        past = np.maximum(away * per_left - crowded, none) * wide
        lost: Floats = past * past / (one + past) * ((one - crowded) * left)
        return lost

    lost = gives_way(away)
    kept = fade - lost.max(axis=0) / np.maximum(strongest, least)
    by_chroma = away * kept
    by_channel = away * fade - lost
    missing = -mixed(weights[10:11], by_channel)[0]
    by_channel = by_channel + missing / np.maximum(left + missing, least) * (left - by_channel)
    screen = shown + (by_chroma + channel_share * (by_channel - by_chroma)) * (one / (one + headroom))
    light[:, over] = mixed(weights[4:7], screen)


def _faded(
    own: Floats,
    shown: Floats,
    flat: Floats,
    spread: Floats,
    measured: Floats,
    per_tint: np.float32,
    glow: np.float32,
    per_glow: np.float32,
) -> Floats:
    """What is left of the way from luminance to each channel, whatever room there is.

    Tints of white, glowing light and what was rebuilt run into the white of the screen: differences between
    channels shrink as the shoulder flattens. The colour of a surface keeps its saturation.
    """
    one, fade, per_own = np.float32(1), flat * flat * flat, np.float32(1) / np.maximum(own, np.float32(1e-6))
    tints = spread * per_own * per_tint
    cubed = tints * tints * tints
    coloured = cubed / (one + cubed) * (one - _eased(own, glow, per_glow)) * measured
    faded: Floats = fade + coloured * np.maximum(shown * per_own - fade, np.float32(0))
    return faded
