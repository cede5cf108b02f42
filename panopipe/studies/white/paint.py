"""The paint of coloured walls, told by the white things that lie in their light.

Lilac paint under lamps looks as white paint in daylight does. But doors, frames, cornices and cupboards lie
in the light of the wall around them, and by what the wall looks unlike them all over the room, it is painted.

Such a step is taken for paint only where it cannot be light: beside the curve on which the mixtures of
daylight and lamp light lie. A reveal in daylight on a wall in lamplight, and a mirror that shows another
wall, make steps along the curve. So do yellow and pale blue paint: of them this tells nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import LUMINANCE_OF_WORKING, Matrix
from panopipe.frame import Rows
from panopipe.pixels.easing import smooth_step
from panopipe.sphere.geometry import pitch_of_row
from panopipe.studies.white.cones import log_chromaticity_from_working
from panopipe.studies.white.evidence import CELL_ROWS
from panopipe.studies.white.mixture import Mixture, mixture
from panopipe.studies.white.spread import Links, over_sphere, spread
from panopipe.studies.white.steps import ROWS, Index, Steps, find_steps, look

DAY_MIRED, LAMP_MIRED = 1e6 / 6500, 1e6 / 2900
"""Lights that mix in most houses, and whose curve stands for all: CIE D65, and bulbs of 2700 to 3100 K."""
LIKE = np.array([0.05, 0.05, 0.05, 0.15])
"""Differences in colour, in distance from the curve and in light within which steps are of one paint."""
MOST_PAINTS, FEWEST = 4, 12
"""Paints that a frame is searched for, and steps that tell one: 17 degrees of edges."""
LIGHT_TURNS, BESIDE = 0.1, (0.015, 0.04)
"""How far beside the curve a step of light leads, against its length: the black-body line climbs by .18 from
the curve of mixtures and falls by .24, but lights of one edge lie on the curve or are near each other. And
how much further one may be, and surely is, a step of paint: white rooms show up to .005, walls of lilac,
pink, green and blue .03 to .12."""
DEEP = (0.32, 0.36)
"""Length of a step from where paint is deep, and from where it is not told: it never passes for white, and
what is told of it is off by more. Lilac, pink and green walls lie at .12 to .3."""
MEMBER, OF_ITS_OWN = 0.06, 0.55
"""Distance between curve and surface, the paint taken off, at which it is hardly of that paint; against the
paint's own distance, so that a white ceiling is none."""
SAME, SAME_LIGHT, WITHIN = 0.03, 0.15, 100.0
"""Steps of colour and of light between cells of one surface, and weight of the link within one."""
MOST, HOLDS = 4.0, 0.0005
"""Steps that count at most in one cell, as many as it has places; weight by which each cell holds to none."""
SURE = (0.15, 0.4)
"""Share of what reaches a cell that tells of the paint from where it may be, and surely is, painted so."""
WALL_DEG = (-35.0, 50.0)
"""Pitches between which walls stand: a foot at 2 metres, a head at 1."""


@dataclass(frozen=True, slots=True)
class Told:
    """What is known of the paint of a frame's surfaces, by cell (64, 128).

    Attributes
    ----------
    colour : ndarray of shape (64, 128, 2)
        Steps from white paint, in log cone ratios; 0 where nothing tells it.
    surely : ndarray
        0 to 1: how surely it is painted so.
    """

    colour: Matrix
    surely: Matrix


def paint_of(rows: Rows, camera: tuple[float, float]) -> Told:
    """Tell the paint of coloured walls.

    Parameters
    ----------
    rows : ndarray of shape (height, width, 3), dtype float32
        Linear light in the working space, the whole sphere; 1 is diffuse white. Of less than 256 columns
        nothing is told.
    camera : tuple of float
        Place of the camera's own white as a real light.
    """
    left = np.ones((CELL_ROWS, 2 * CELL_ROWS)) * _at_walls()[:, None]
    colour = np.zeros((*left.shape, 2))
    if rows.shape[1] >= 2 * ROWS:
        lights = mixture(DAY_MIRED, LAMP_MIRED, camera)
        steps, mean = find_steps(rows, lights), look(rows, CELL_ROWS)[0]
        for own, surely in _paints(steps):
            off = _taken_off(mean, own)
            here = left * surely * _reach(mean, off, own, steps, lights)
            colour, left = colour + here[..., None] * off, left - here
    return Told(colour, _at_walls()[:, None] - left)


def _at_walls() -> Matrix:
    pitch = pitch_of_row(np.arange(CELL_ROWS), CELL_ROWS)
    return np.asarray((pitch > WALL_DEG[0]) & (pitch < WALL_DEG[1]), np.float64)


def _paints(steps: Steps) -> list[tuple[Steps, float]]:
    """Groups of like steps, the most frequent first, with how surely each is one of paint."""
    at = np.column_stack([steps.colour, steps.across, steps.light]) / LIKE
    left, found = np.ones(len(at), np.bool_), []
    for _ in range(MOST_PAINTS):
        group = _densest(at, left)
        if np.count_nonzero(group) < FEWEST:
            break
        left &= ~group
        own = steps.some(group)
        surely = _surely_paint(own)
        if surely > 0:
            found.append((own, surely))
    return found


def _surely_paint(own: Steps) -> float:
    """How surely a group of steps is one of paint that may pass for white, and none of light."""
    length = float(np.hypot(*np.median(own.colour, axis=0)))
    further = _beside(own) - LIGHT_TURNS * length
    paint = smooth_step(np.array((further - BESIDE[0]) / (BESIDE[1] - BESIDE[0])))
    return float(paint * (1 - smooth_step(np.array((length - DEEP[0]) / (DEEP[1] - DEEP[0])))))


def _beside(own: Steps) -> float:
    """How far a group of steps lies beside the curve."""
    return abs(float(np.median(own.across - own.white_across)))


def _densest(at: Matrix, left: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Steps around the densest place of those that are left, by mean shift from the fullest bin."""
    if not left.any():
        return left
    bins, group = np.unique(np.floor(at[left]), axis=0, return_inverse=True)
    group = group.ravel()
    centre = at[left][group == np.argmax(np.bincount(group, minlength=len(bins)))].mean(axis=0)
    for _ in range(10):
        near = left * np.exp(-0.5 * np.sum((at - centre) ** 2, axis=1))
        centre = near @ at / near.sum()
    return np.asarray(left & (np.sum((at - centre) ** 2, axis=1) < 4))


def _taken_off(mean: Matrix, own: Steps) -> Matrix:
    """Steps of colour by which each cell would differ from white paint in its light.

    Paint is one ratio of channels, as surfaces are relit; the step that it makes hangs a little on the light.
    """
    white = mean / np.exp(np.median(own.ratio, axis=0))
    return log_chromaticity_from_working(mean) - log_chromaticity_from_working(white)


def _reach(mean: Matrix, off: Matrix, own: Steps, steps: Steps, lights: Mixture) -> Matrix:
    """How surely each cell bears a paint: it goes on from its steps, and lies among the lights without it.

    What is dim against something else bears another paint, what is white against this one none; but a wall on
    which dark things stand may be of any colour.
    """
    place, light = log_chromaticity_from_working(mean), np.log(mean @ LUMINANCE_OF_WORKING)
    aside = lights.nearest(place - off)[1] - np.median(own.white_across)
    member = np.exp(-((aside / min(MEMBER, OF_ITS_OWN * _beside(own))) ** 4))
    every = _by_cell(steps.row, steps.column) + _by_cell(own.white_row, own.white_column)
    count = np.minimum(every, MOST)
    share = _by_cell(own.row, own.column) / np.maximum(every, 1)
    size = np.cos(np.radians(pitch_of_row(np.arange(CELL_ROWS), CELL_ROWS)))[:, None]
    total, links = count + HOLDS, _within_surfaces(place, light, member)
    known = spread(share * count / total, total * size, links, np.zeros(light.shape))
    return np.asarray(member * smooth_step((known - SURE[0]) / (SURE[1] - SURE[0])))


def _by_cell(row: Index, column: Index) -> Matrix:
    """How many of some places of the finer grid lie in each cell."""
    at = row // 2 * (2 * CELL_ROWS) + column // 2
    return np.bincount(at, minlength=2 * CELL_ROWS**2).reshape(CELL_ROWS, -1).astype(np.float64)


def _within_surfaces(place: Matrix, light: Matrix, member: Matrix) -> Links:
    """Links between neighbouring cells of one surface, as far as both may bear the paint."""
    right = _same(np.roll(place, -1, axis=1) - place, np.roll(light, -1, axis=1) - light)
    down = _same(np.diff(place, axis=0), np.diff(light, axis=0))
    right, down = right * member * np.roll(member, -1, axis=1), down * member[1:] * member[:-1]
    none = np.zeros(light.shape)
    return over_sphere(WITHIN * right, WITHIN * down, none, none[1:])


def _same(colour: Matrix, light: Matrix) -> Matrix:
    return np.asarray(np.exp(-np.sum(colour**2, axis=-1) / SAME**2 - (light / SAME_LIGHT) ** 2))
