"""Edges made steeper: what sets luminance off from around it is raised where it is more than grain."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.compiled import compiled

Floats = NDArray[np.float32]

MARGIN = 3
"""Rows above and below that a row depends on: two of the smoothing, one of the window."""
_OUTER, _INNER, _MIDDLE = np.float32(1 / 16), np.float32(1 / 4), np.float32(3 / 8)
_FADE = np.float32(8)
"""One over the share of white below which light is sharpened in full: at white itself nothing is changed."""
_DARK = np.float32(1e-12)


@compiled("sharpen")
def sharpen(light: Floats, weights: Floats, distance: Floats, control: Floats, out: Floats) -> None:
    """Raise the finest structure of luminance; colours keep their ratios.

    Parameters
    ----------
    light : ndarray of shape (n + 6, width, 3), dtype float32
        Linear light, 1 at white; a row goes on at its other end.
    weights : ndarray of shape (3,), dtype float32
        Of luminance.
    distance : ndarray of shape (n + 6,), dtype float32
        Columns that are as far apart as two rows, row by row: from 1 to an eighth of the width.
    control : ndarray of shape (3,), dtype float32
        How much is added of what sets a pixel off; the contrast at which half of that is; and how far the
        result may go beyond the brightest and darkest of the neighbours.
    out : ndarray of shape (n, width, 3), dtype float32
        Takes the light.
    """
    red, green, blue = np.moveaxis(light, -1, 0)
    luminance = red * weights[0] + green * weights[1] + blue * weights[2]
    along = (
        _turned(luminance, 2 * distance) * _OUTER
        + _turned(luminance, distance) * _INNER
        + luminance * _MIDDLE
    )
    first, second, third, fourth, fifth = (along[n : len(along) - 4 + n] for n in range(5))
    smooth = (first + fifth) * _OUTER + (second + fourth) * _INNER + third * _MIDDLE
    detail = luminance[2:-2] - smooth
    step = np.floor(distance + np.float32(0.5)).astype(int)
    energy = detail * detail
    energy = energy + _stepped(energy, step[2:-2], np.add)
    energy = energy[1:-1] + (energy[:-2] + energy[2:])
    highest = np.maximum(luminance, _stepped(luminance, step, np.maximum))[2:-2]
    highest = np.maximum(highest[1:-1], np.maximum(highest[:-2], highest[2:]))
    lowest = np.minimum(luminance, _stepped(luminance, step, np.minimum))[2:-2]
    lowest = np.minimum(lowest[1:-1], np.minimum(lowest[:-2], lowest[2:]))
    smooth, detail, luminance = smooth[1:-1], detail[1:-1], luminance[3:-3]
    strength, contrast, beyond = control
    grain = (contrast * contrast) * np.float32(9) * (smooth * smooth)
    raised = luminance + strength * (energy / (energy + grain + _DARK)) * detail
    raised = np.minimum(
        np.maximum(raised, lowest - np.abs(lowest) * beyond), highest + np.abs(highest) * beyond
    )
    brightest = np.maximum(np.maximum(red, green), blue)[3:-3]
    fade = np.minimum(np.maximum((1 - brightest) * _FADE, np.float32(0)), np.float32(1))
    lit = luminance > _DARK
    gain = np.where(lit, (luminance + (raised - luminance) * fade) / np.where(lit, luminance, 1), 1)
    out[:] = light[3:-3] * gain.astype(np.float32)[..., None]


def _turned(rows: Floats, distance: Floats) -> Floats:
    """Sum of the two values so many columns away, between pixels linearly."""
    out = np.empty_like(rows)
    for row, away in enumerate(distance):
        step = int(away)
        share = np.float32(away) - np.float32(step)
        left, right = (np.roll(rows[row], by) for by in (step, -step))
        further_left, further_right = (np.roll(rows[row], by) for by in (step + 1, -step - 1))
        out[row] = (left + (further_left - left) * share) + (right + (further_right - right) * share)
    return out


def _stepped(rows: Floats, steps: NDArray[np.int_], join: np.ufunc) -> Floats:
    """What two values so many columns away make together."""
    pairs = [join(np.roll(row, step), np.roll(row, -step)) for row, step in zip(rows, steps, strict=True)]
    return np.stack(pairs)
