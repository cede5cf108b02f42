"""What a frame's surfaces say of their light, by cell: its colour, and whether they may be white paint."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import LUMINANCE_OF_WORKING, Matrix
from panopipe.frame import Rows
from panopipe.pixels.easing import smooth_step
from panopipe.pixels.planes import highest_plane
from panopipe.sphere.filters import smooth as smooth_sphere
from panopipe.sphere.geometry import pitch_of_row
from panopipe.sphere.wrap import turned
from panopipe.studies.white.cones import log_chromaticity_from_working
from panopipe.studies.white.contrast import TIMES, stands_out
from panopipe.studies.white.evidence import JUMP, RECORDED
from panopipe.studies.white.light import light_field
from panopipe.studies.white.paint import Told
from panopipe.studies.white.texture import smoothness

ROWS = 64
"""Rows of the grid: 2.8 degrees each. Light blurred by 4 degrees serves as well as light pixel by pixel."""
FADES_PER_RADIAN = 0.7
"""How much darker, in natural logarithms, a white may be per radian away from the brightest surfaces."""
REACH_DEG = 60.0
WHITE_OVER, REFLECTS_OVER = 8.0, 5.0
"""How steeply trust falls with darkness, against the brightest around, and against the brightest tenth once
what changes smoothly is taken for light: at 0.09 or 0.14 natural logarithms it halves."""
TOP = 0.9
TEXTURE = 4.0
"""How steeply trust falls with texture: at a standard deviation of 0.17 natural logarithms it halves."""
GRAIN_DEG, BOARDS, PLAIN = 9.0, 0.3, 0.6
"""Standard deviation over which a surface is judged by its grain, and how smooth boards and paint are there.
In rendered rooms wooden ceilings are .28 to .34 in the middle, painted walls .85 to 1."""
LITTLE_PAINT, MUCH_PAINT = 0.05, 0.1
"""Share of the sphere that may be plain paint up to which grain counts in full, and from which not at all. In
rendered rooms coloured all round it is .02 to .03, in others .13 to .23."""
NARROW_SHARE = 0.125
"""Share of a cell that is a narrow white thing from where it is heard in full: two of its 16 places, which a
skirting or a socket two metres away fills."""
WHITE_OVER_MIDDLE = 16.0
"""Most that white paint lies above the middle of a frame's light: 4 EV, where a merged bracket may hold 7."""
CLIPPED = 0.02
"""Share of a cell that may be clipped; glare of lamps and windows lies on its other pixels."""
TOLD_HEARD = 0.35
"""How much a wall whose paint is told is heard, however dim, against white paint: it is off by 2 delta E."""
SUNLIT = float(np.log(2))
"""How much brighter than white, in natural logarithms, a surface is that stands in another light than the
room's, whose smooth changes are taken off: patches of sun lie at 0.7 to 1.8, white cards at 0 to 0.6. Those
low down are looked for on a finer grid (`sunlit`)."""
BESIDE, BESIDE_DIM = 0.1, -0.5
"""Share of a cell with clipped light from where its surfaces tell what light that is, and how far they lie
below white in the room's light at most, in natural logarithms: reveals lie at -0.3 to 1, a teal wall behind a
lampshade at -1."""
LOW_DEG, LOW_TRUST = -25.0, 0.2
"""Below this pitch lie floors and furniture: a patch of sun on boards is bright and plain as well."""


@dataclass(frozen=True, slots=True)
class Surfaces:
    """A frame's surfaces by cell, arrays of shape (64, 128).

    Attributes
    ----------
    log_chromaticity : ndarray of shape (64, 128, 2)
        Place in the plane of log cone ratios, as decoded.
    light : ndarray
        Natural logarithm of luminance.
    known : ndarray of bool
        Cells whose values count as a surface's.
    trust : ndarray
        0 to 1: how likely white paint, by brightness and plainness alone.
    bright : ndarray of bool
        Cells above what a surface in the light of the room shows, and not clipped: views, lamps, and surfaces
        above the floor that stand in the sun, which are known as well.
    beside : ndarray of bool
        Cells on the border of what clipped, whose surfaces may be white paint in its light.
    paint : ndarray of shape (64, 128, 2)
        What is known of the surfaces' own colour, as steps from white paint.
    """

    log_chromaticity: Matrix
    light: Matrix
    known: NDArray[np.bool_]
    trust: Matrix
    bright: NDArray[np.bool_]
    beside: NDArray[np.bool_]
    paint: Matrix

    def packed(self) -> Surfaces:
        """The same in numbers of 16 bits, as much as a colour of a cell is worth."""
        return self._of_type(np.float16)

    def unpacked(self) -> Surfaces:
        """The same in numbers to reckon with."""
        return self._of_type(np.float64)

    def _of_type(self, dtype: type[np.floating[Any]]) -> Surfaces:
        places, light, trust, paint = (
            value.astype(dtype) for value in (self.log_chromaticity, self.light, self.trust, self.paint)
        )
        return Surfaces(places, light, self.known, trust, self.bright, self.beside, paint)


def surfaces_of(
    rows: Rows, clips_at: float | None = None, smooth: Matrix | None = None, told: Told | None = None
) -> Surfaces:
    """Look at a whole frame at reduced size.

    Parameters
    ----------
    rows : ndarray of shape (height, width, 3), dtype float32
        Linear light in the working space, the whole sphere, at least 128 wide; 1 is diffuse white, as
        `white_level` tells it.
    clips_at : float or None
        Level at which the first plane of the sensor clips; None if none does.
    smooth : ndarray of shape (64, 128) or None
        How smooth each cell is, by `texture.smoothness`; None: it is found here.
    told : Told or None
        Paint of coloured walls, by `paint.paint_of`: they are heard as white ones; None: it is not known.
    """
    smooth = smoothness(rows) if smooth is None else smooth
    told = Told(np.zeros((ROWS, 2 * ROWS, 2)), np.zeros((ROWS, 2 * ROWS))) if told is None else told
    largest = highest_plane(rows)
    surface = (largest > RECORDED[0]) & (largest < RECORDED[1])
    bright = (largest >= RECORDED[1]) & (largest < RECORDED[1] * (np.inf if clips_at is None else clips_at))
    mean, share, texture = _by_cell(rows, surface)
    above, above_share, _ = _by_cell(rows, bright)
    over = cv2.resize(
        (largest >= RECORDED[1]).astype(np.float32), (2 * ROWS, ROWS), interpolation=cv2.INTER_AREA
    )
    known = (share > 0.5) & (over < CLIPPED)
    is_bright = ~known & (above_share > 0.5)
    mean[is_bright] = above[is_bright]
    place, light = log_chromaticity_from_working(mean), np.log(np.maximum(mean @ LUMINANCE_OF_WORKING, 1e-6))
    against = _against_brightest(place, light, known)
    over_white = light - upper_envelope(light, known)
    beside = ~is_bright & (over >= CLIPPED) & (share > BESIDE) & (over_white > BESIDE_DIM)
    darker = np.minimum(over_white, 0)
    white = np.maximum(np.exp(WHITE_OVER * darker), np.exp(REFLECTS_OVER * np.minimum(against, 0)))
    white += told.surely * (TOLD_HEARD - white)
    trust = white * np.exp(-TEXTURE * texture) * known * _by_height()
    sunlit = known & (against > SUNLIT) & ~low()
    seen = Surfaces(place, light, known, trust, is_bright | sunlit, beside, told.colour)
    return _of_little_paint(seen, rows, smooth)


def _of_little_paint(seen: Surfaces, rows: Rows, smooth: Matrix) -> Surfaces:
    """Surfaces, where a room shows little paint with no boards for paint, and with its narrow white things.

    A wooden ceiling is bright and wide, and in daylight as yellow as paint under a lamp: where it is the most
    of what seems white, the light would follow it and leave it pale pink. Skirting, frames, doors and linen,
    in a cell with the wall around them, tell the light there.
    """
    plain = smooth_step((smooth_sphere(smooth, GRAIN_DEG) - BOARDS) / (PLAIN - BOARDS))
    painted = float(np.average(seen.trust * plain, weights=area()))
    counts = np.clip((MUCH_PAINT - painted) / (MUCH_PAINT - LITTLE_PAINT), 0, 1)
    trust = seen.trust * (1 - counts * (1 - plain))
    if counts == 0 or rows.shape[1] < 2 * ROWS * TIMES:
        return replace(seen, trust=trust)
    mean, share = _narrow_whites(rows)
    narrow = counts * np.minimum(share / NARROW_SHARE, 1)
    at = (narrow > trust) & ~seen.bright
    place, light = log_chromaticity_from_working(mean), np.log(np.maximum(mean @ LUMINANCE_OF_WORKING, 1e-6))
    return replace(
        seen,
        log_chromaticity=np.where(at[..., None], place, seen.log_chromaticity),
        light=np.where(at, light, seen.light),
        paint=np.where(at[..., None], 0.0, seen.paint),
        known=seen.known | at,
        trust=np.where(at, narrow, trust),
    )


def _narrow_whites(rows: Rows) -> tuple[Matrix, Matrix]:
    """Mean of what stands out in each cell, and the share of it."""
    fine = cv2.resize(rows, (2 * ROWS * TIMES, ROWS * TIMES), interpolation=cv2.INTER_AREA)
    largest, light = highest_plane(fine), fine @ LUMINANCE_OF_WORKING
    recorded = (largest > RECORDED[0]) & (largest < RECORDED[1])
    white = (stands_out(np.log(np.maximum(light, 1e-6))) * recorded).astype(np.float32)
    total, share = (
        cv2.resize(values, (2 * ROWS, ROWS), interpolation=cv2.INTER_AREA).astype(np.float64)
        for values in (fine * white[..., None], white)
    )
    return total / np.maximum(share, 1e-9)[..., None], share


def white_level(rows: Rows) -> float:
    """Level that counts as diffuse white: 1, or less in a file that keeps room for windows above it."""
    cells = cv2.resize(rows, (2 * ROWS, ROWS), interpolation=cv2.INTER_AREA) @ LUMINANCE_OF_WORKING
    order = np.argsort(cells, axis=None, kind="stable")
    running = np.cumsum(area().ravel()[order])
    middle = float(cells.ravel()[order][np.searchsorted(running, running[-1] / 2)])
    return min(1.0, max(WHITE_OVER_MIDDLE * middle, 1e-4))


def _by_cell(rows: Rows, use: NDArray[np.bool_]) -> tuple[Matrix, Matrix, Matrix]:
    """Mean of the pixels in use of every cell, their share, and how far their luminance lies apart."""
    used = cv2.copyTo(rows, use.view(np.uint8))
    luminance = used @ LUMINANCE_OF_WORKING.astype(np.float32)
    total, squares, share = (
        cv2.resize(values, (2 * ROWS, ROWS), interpolation=cv2.INTER_AREA).astype(np.float64)
        for values in (used, luminance * luminance, use.astype(np.float32))
    )
    some = np.maximum(share, 1e-6)
    mean = total / some[..., None]
    square = np.maximum((mean @ LUMINANCE_OF_WORKING) ** 2, 1e-12)
    return mean, share, np.sqrt(np.maximum(squares / some / square - 1, 0))


def _against_brightest(place: Matrix, light: Matrix, known: NDArray[np.bool_]) -> Matrix:
    """Log luminance against the brightest tenth of what is not low, smooth changes taken for light."""
    values = np.concatenate([place, light[..., None]], axis=-1)
    surface = light - light_field(values, known, JUMP)[..., 2]
    weight = (area() * known * (_by_height() == 1)).ravel()
    if not weight.any():
        return np.full(light.shape, -np.inf)
    order = np.argsort(surface, axis=None, kind="stable")
    running = np.cumsum(weight[order])
    return np.asarray(surface - surface.ravel()[order][np.searchsorted(running, TOP * running[-1])])


def _by_height() -> Matrix:
    return np.where(low(), LOW_TRUST, 1.0)


@cache
def low() -> NDArray[np.bool_]:
    """Cells (64, 128) of floors and furniture."""
    rows = pitch_of_row(np.arange(ROWS), ROWS) < LOW_DEG
    return np.repeat(rows[:, None], 2 * ROWS, axis=1)


def upper_envelope(
    light: Matrix, known: NDArray[np.bool_], fades_per_radian: float = FADES_PER_RADIAN
) -> Matrix:
    """Light that a white would have in each cell: the highest of its surroundings, less with distance."""
    height = len(light)
    step = fades_per_radian * np.pi / height
    across = step * np.cos(np.radians(pitch_of_row(np.arange(height), height)))[:, None]
    top = np.where(known, light, -20.0)
    half = top.shape[1] // 2
    for _ in range(round(REACH_DEG / 180 * height)):
        above = np.concatenate([turned(top[:1], half), top[:-1]])
        below = np.concatenate([top[1:], turned(top[-1:], half)])
        sides = np.maximum(turned(top, 1), turned(top, -1)) - across
        top = np.maximum(np.maximum(top, np.maximum(above, below) - step), sides)
    return top


def area() -> Matrix:
    """Weight of each cell by solid angle, 1 at the horizon."""
    cosine = np.cos(np.radians(pitch_of_row(np.arange(ROWS), ROWS)))
    return np.repeat(cosine[:, None], 2 * ROWS, axis=1)
