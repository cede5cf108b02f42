"""Light by place: how far the light of a room is that of its lamps and how far daylight, place by place.

One number a place, on the curve of mixtures (`mixture`): a surface's own tint off the curve is never taken
for light. What is known are the surfaces that may be white paint, bright and plain and near the curve; and,
whatever its colour, how the light changes over each surface, since there only light can change. Where one
surface ends and the next begins, little is said of the step, so the trusted ones carry the others along.

Surfaces that disagree lose their weight while the tolerance narrows from wide to fine (Geman and McClure).
What looks warmer than the light around it is heard less than what looks cooler: wood, cream and what they
bounce are everywhere, blue ones are dark.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import Matrix
from panopipe.sphere.filters import smooth
from panopipe.sphere.geometry import pitch_of_row
from panopipe.sphere.wrap import turned
from panopipe.studies.white.bounce import bare, bounce, surely_painted
from panopipe.studies.white.cones import locus, nearest_in_table
from panopipe.studies.white.light import trend
from panopipe.studies.white.mixture import DAYLIGHT_DUV, SUN_MIRED, Mixture, mixture
from panopipe.studies.white.spread import ENOUGH, Links, over_sphere, spread
from panopipe.studies.white.surfaces import ROWS, Surfaces, area

DAYLIGHT_MIRED = 1e6 / 6500
"""What a window lets in on most days (CIE D65)."""
COLDEST_MIRED = 125.0
"""Blue sky alone, 8000 K."""
WARMEST_MIRED = 440.0
"""A filament turned down, 2270 K."""
APART_MIRED = 45.0
"""Least distance between the two lights: with one light alone the curve is straight and its ends are idle."""
_BINS, _DUV = np.arange(90.0, 500.0, 5.0), 0.0015
_WARM, _COLD = 0.95, 0.05
_WARMEST_LIGHT, PAST_PAINT_MIRED = 0.98, 20.0
"""Share of the paint, by weight, up to whose light a room shows, and how much warmer than that its lamp is:
some daylight falls everywhere. In rendered rooms where white walls mix lamp and window it was 10 to 40."""
_NEAR_LOCUS = 0.2
ACROSS = 0.12
"""Distance from the curve, 8 delta E, at which a surface is hardly heard: coloured ones lie further off."""
OUTSIDE = 0.15
"""Distance beyond either light at which a surface is hardly heard: warmer than the lamp is wood."""
WARMER_HEARD = 0.3
WIDE, NARROW = 0.5, 0.12
"""Tolerance of the first and last round, along the curve. It stays wide where hardly any paint is heard:
the few white things there stand in unlike light, and none may be silenced by the others."""
HALF_A_LAMP = 0.5
"""Of the way in red from lamp to daylight. Grass, leaves and sky lie at daylight or beyond, lamps do not."""
HALF_WAY = 0.5
"""Where the light starts, of the way from daylight to lamp, in a room that hardly shows paint: its white is
told by coloured surfaces. In rendered ones half of the floor, walls and ceiling stood below .45 to .65."""
ROUNDS, FIRST_ROUNDS, ENOUGH_MEANWHILE = 7, 3, 3e-3
"""Rounds, those from which the lamp is told, and the residual at which all but the last end their search."""
FAINT = 0.3
"""Weight at which two thirds of a cell's are left, and all at 1: a wide wall that hardly looks like paint
would outvote, by its many cells, the paint around it."""
SAME_SURFACE = (0.025, 0.05, 0.4)
"""Steps between neighbouring cells, along the curve, across it and in log luminance, that are light."""
BETWEEN_SURFACES = 0.015
"""Weight of the link between two surfaces, against 1 within one."""
HELD = 1e3
"""Weight of what is known already, against 1 of a link."""
HALF_A_VIEW, WINDOW_CELLS, OF_LEAVES = 0.5, 8, 0.12
"""How surely a cell is a view that counts as one; cells (22 degrees) within which what has views around it
belongs to them; and how far to the green side of the curve it then lies, dim as it may be."""
COLDER = 0.1
"""How much colder than the light around it, 6 delta E, what lies beside clipped light has the day's, and what
lies beside the curve is a cold colour."""
AROUND_DEG = 12.0
"""Standard deviation over which what lies around a patch of sun is averaged; they are 10 to 40 wide."""
WALL_DEG, BESIDE, ABOVE = 30.0, 12, 6
"""Height up to which walls are looked at, and cells beside and above a view, 34 and 17 degrees, in which the
wall that holds it is looked for."""
PAINTED, LIKE_THE_WALL = 1.5, 4.0
"""Trust of a wall around a window against the mean of the other walls, furniture and all; and how steeply it
falls from the wall's own middle, in natural logarithms of light."""
DAYLIGHT_HEARD = 0.01
"""Weight of a cell of a view, against 1 of white paint: the wall around a window stands with its back to the
day, and hears of it only where nothing else is known."""
STIFF = 5.0
"""Weight of a link against that of a cell that is surely white paint."""
LEAST_PAINT = 0.05
"""Share of the sphere that counts as paint on the curve itself: a little paint beside it moves it little."""
PRIOR_OF_MANY, PRIOR = 0.0025, 0.0001
"""Weight with which each cell holds to the room's white, where much paint is heard and in any case: it
decides where nothing else does. With little paint it must not hide how light changes over coloured walls."""


@dataclass(frozen=True, slots=True)
class Along:
    """Where the light of each place stands along the curve of mixtures.

    Attributes
    ----------
    lengths, shown : ndarray of shape (64, 128)
        Lengths along the curve: of the light, and of what each cell shows.
    kept : ndarray of shape (64, 128)
        Weight of each cell's own evidence in it.
    curve : Mixture
        The curve.
    off_lights : ndarray of shape (2,)
        How far paint showed the curve beside the one between daylight and lamp.
    """

    lengths: Matrix
    shown: Matrix
    kept: Matrix
    curve: Mixture
    off_lights: Matrix


@dataclass(frozen=True, slots=True)
class LightField:
    """Where the light of each place stands.

    Attributes
    ----------
    lengths : ndarray of shape (64, 128)
        Lengths along the curve.
    beside : ndarray of shape (64, 128, 2)
        What lawns, floors and walls add to the light, beside the curve.
    thrown : ndarray of shape (64, 128, 2)
        What of curve and lengths is the room's own colour, which only its paint shows.
    heard : ndarray of shape (64, 128)
        Weight of each cell's own evidence in it, by solid angle.
    curve : Mixture
        The curve.
    """

    lengths: Matrix
    beside: Matrix
    thrown: Matrix
    heard: Matrix
    curve: Mixture

    def places(self) -> Matrix:
        """Places (64, 128, 2) of the light."""
        return self.curve.at(self.lengths) + self.beside - self.thrown

    def mean(self) -> tuple[float, float]:
        """Mean place of the light on what was heard."""
        heard = self.heard + 1e-6 * area()
        first, second = (self.places() * heard[..., None]).sum(axis=(0, 1)) / heard.sum()
        return float(first), float(second)


def temperatures(seen: Surfaces, camera: tuple[float, float]) -> tuple[float, ...]:
    """How the trusted surfaces of a frame spread over mired: their weights in steps of 5."""
    seen = seen.unpacked()
    table = locus(_BINS, _DUV) - np.array(camera)
    flat = (seen.log_chromaticity - seen.paint).reshape(-1, 2)
    at = nearest_in_table(flat, table)
    near = np.exp(-np.sum((flat - table[at]) ** 2, axis=1) / _NEAR_LOCUS**2)
    weight = (seen.trust * area()).ravel() * near * (at > 0) * (at < len(_BINS) - 1)
    return tuple(float(value) for value in np.bincount(at, weight, len(_BINS)))


def lights_of(frames: Sequence[tuple[float, ...]]) -> tuple[float, float]:
    """Daylight and lamp of a room, in mired, from the temperatures of its frames' surfaces."""
    total = np.cumsum(np.sum(np.array(frames, dtype=np.float64), axis=0))
    if total[-1] <= 0:
        return DAYLIGHT_MIRED, DAYLIGHT_MIRED + 4 * APART_MIRED
    cold, warm = (float(_BINS[np.searchsorted(total, share * total[-1])]) for share in (_COLD, _WARM))
    daylight = max(min(DAYLIGHT_MIRED, (DAYLIGHT_MIRED + cold) / 2), COLDEST_MIRED)
    return daylight, min(max(warm, daylight + APART_MIRED), WARMEST_MIRED)


def lights_by_field(
    lights_mired: tuple[float, float], frames: Sequence[tuple[Along, tuple[float, float]]]
) -> tuple[float, float]:
    """Daylight and lamp of a room, in mired, the lamp by the light that was found on its paint.

    The surfaces alone do not tell it: what a yellow wall shows is not warmer light than a lamp's.

    Parameters
    ----------
    lights_mired : tuple of float
        Daylight and lamp with which the light was found.
    frames : sequence of tuple
        Light of each place, and the place of the camera's own white as a real light.
    """
    total, size = np.zeros(len(_BINS)), area()
    for along, camera in frames:
        table = locus(_BINS, _DUV) - np.array(camera)
        at = nearest_in_table(along.curve.at(along.lengths).reshape(-1, 2), table)
        total += np.bincount(at, (along.kept * size).ravel(), len(_BINS))
    running = np.cumsum(total)
    if running[-1] <= 0:
        return lights_mired
    warm = float(_BINS[np.searchsorted(running, _WARMEST_LIGHT * running[-1])]) + PAST_PAINT_MIRED
    return lights_mired[0], min(max(warm, lights_mired[0] + APART_MIRED), WARMEST_MIRED)


def find_along(
    seen: Surfaces,
    white: tuple[float, float],
    lights_mired: tuple[float, float],
    camera: tuple[float, float],
    rounds: int,
) -> Along:
    """Find where the light of each place of a frame stands along the curve of mixtures.

    Parameters
    ----------
    seen : Surfaces
        The frame.
    white : tuple of float
        Place of the frame's white, from the joint solution: where the field starts, as far as there is paint.
    lights_mired : tuple of float
        Daylight and lamp of the room.
    camera : tuple of float
        Place of the camera's own white as a real light.
    rounds : int
        Rounds in which the tolerance narrows.
    """
    seen, size = seen.unpacked(), area()
    lights = mixture(*lights_mired, camera)
    curve = _through_paint(lights, seen)
    shown, across = curve.nearest(seen.log_chromaticity)
    links, _ = _links(seen, shown, across)
    length, across = curve.nearest(seen.log_chromaticity - seen.paint)
    views = _of_daylight(seen, curve, shown)
    trust = np.maximum(seen.trust, _around_windows(seen, views > HALF_A_VIEW))
    heard = trust * np.exp(-((across / ACROSS) ** 2)) * _between_lights(curve, length)
    heard = heard * heard * (1 + FAINT) / (heard + FAINT)
    sure = surely_painted(heard)
    start = sure * float(curve.nearest(np.array([white]))[0][0]) + (1 - sure) * HALF_WAY * curve.length
    field, kept = np.full(length.shape, start), heard
    prior, narrow = _prior(sure), NARROW + (WIDE - NARROW) * (1 - sure)
    for turn in range(rounds):
        wide = WIDE * (narrow / WIDE) ** (turn / (rounds - 1))
        off = length - field
        side = np.where(off > 0, WARMER_HEARD, 1 - WARMER_HEARD)
        kept = heard * 2 * side / (1 + (off / wide) ** 2) ** 2
        total = kept + DAYLIGHT_HEARD * views + prior
        enough = ENOUGH if turn == ROUNDS - 1 else ENOUGH_MEANWHILE
        field = spread((kept * length + prior * start) / total, total * size, links, field, enough)
    views = np.maximum(views, _amid(views > HALF_A_VIEW) & seen.known & (across > OF_LEAVES))
    sun = float(curve.nearest(locus([SUN_MIRED], DAYLIGHT_DUV) - np.array(camera))[0][0])
    day = np.where(seen.known & seen.bright, sun, 0.0)
    field = _beside_clipped(_with_views(field, views, day, seen.known), seen, curve, length)
    return Along(field, shown, kept, curve, curve.places[0] - lights.places[0])


def find_field(
    seen: Surfaces,
    white: tuple[float, float],
    lights_mired: tuple[float, float],
    camera: tuple[float, float],
) -> LightField:
    """Find the light of each place of a frame, with what the room adds to it; see `find_along`."""
    seen = seen.unpacked()
    along = find_along(seen, white, lights_mired, camera, ROUNDS)
    field, curve = along.lengths, along.curve
    unpainted = bare(along.kept) * (1 - _cold_colours(seen, curve, field))
    throws = bounce(along.shown - field, seen.known.astype(np.float64)) * unpainted
    tint = along.off_lights if along.off_lights[0] > 0 else 0.0
    thrown = curve.at(field) - curve.at(field - throws) + unpainted[..., None] * tint
    return LightField(field, _beside(seen, along), thrown, along.kept * area(), curve)


def _cold_colours(seen: Surfaces, curve: Mixture, field: Matrix) -> Matrix:
    """How surely each cell has a cold colour, beside the curve: of that, bounce left out would take."""
    length, across = curve.nearest(seen.log_chromaticity)
    return np.asarray((1 - np.exp(-((across / ACROSS) ** 2))) * np.clip((field - length) / COLDER, 0, 1))


def _between_lights(curve: Mixture, length: Matrix) -> Matrix:
    """How likely each length is one of a mixture: what lies beyond either light is a colour."""
    beyond = np.maximum(0, np.maximum(-length, length - curve.length))
    return np.asarray(np.exp(-((beyond / OUTSIDE) ** 2)))


def _through_paint(lights: Mixture, seen: Surfaces) -> Mixture:
    """The curve moved across itself to where paint shows it, as far as there is paint: tubes are greenish."""
    length, across = lights.nearest(seen.log_chromaticity - seen.paint)
    likely = np.exp(-((across / (2 * ACROSS)) ** 2)) * _between_lights(lights, length)
    heard = seen.trust * likely * area()
    total = float(np.sum(heard)) + LEAST_PAINT * float(np.sum(area()))
    middle = float(np.sum(heard * length)) / max(float(np.sum(heard)), 1e-9)
    return lights.moved(float(np.sum(heard * across)) / total, middle)


def _beside(seen: Surfaces, along: Along) -> Matrix:
    """How the light of each place lies beside the curve, as steps (64, 128, 2).

    Grass and trees before a window throw green onto ceilings, floors and curtains pink or lilac onto walls.
    The paint that was heard shows it, and as along the curve it changes as each surface shows.
    """
    curve = along.curve
    _, links = _links(seen, *curve.nearest(seen.log_chromaticity))
    _, across = curve.nearest(seen.log_chromaticity - seen.paint)
    total = along.kept + _prior(surely_painted(along.kept))
    field = spread(along.kept * across / total, total * area(), links, np.zeros(across.shape))
    return np.asarray(field[..., None] * curve.to_green(along.lengths))


def _prior(sure: float) -> float:
    """Weight with which each cell holds to what a room starts from."""
    return PRIOR + PRIOR_OF_MANY * sure


def _of_daylight(seen: Surfaces, curve: Mixture, shown: Matrix) -> Matrix:
    """How likely each cell shows the day: brighter than white in the room, and no redder than half a lamp.

    A surface in the sun may be redder by its own colour, but it is colder than what lies around it.
    """
    dim = (seen.known & ~seen.bright).astype(np.float64)
    around = smooth(dim * shown, AROUND_DEG) / np.maximum(smooth(dim, AROUND_DEG), 1e-6)
    sunlit = seen.known * np.clip((around - shown) / COLDER - 1, 0, 1)
    return np.asarray(seen.bright * np.where(seen.known, sunlit, _no_lamp(seen, curve)))


def _no_lamp(seen: Surfaces, curve: Mixture) -> Matrix:
    """How surely each cell is no redder than half a lamp."""
    ends = curve.at(np.array([0.0, curve.length]))[:, 0]
    way = (ends[1] - seen.log_chromaticity[..., 0]) / max(float(ends[1] - ends[0]), 1e-6)
    return np.asarray(np.clip((way - HALF_A_LAMP) * 4, 0, 1))


def _beside_clipped(field: Matrix, seen: Surfaces, curve: Mixture, lengths: Matrix) -> Matrix:
    """The field with their own light on reveals and bars of a window that clipped, if it is the day's."""
    own = np.maximum(lengths, 0)
    surely = seen.beside * _no_lamp(seen, curve) * np.clip((field - own) / COLDER, 0, 1)
    return np.asarray(field + surely * (own - field))


def _with_views(field: Matrix, views: Matrix, day: Matrix, known: NDArray[np.bool_]) -> Matrix:
    """The field with the day's light in views; what else no surface showed lies between its neighbours."""
    if not views.any():
        return field
    even, none, here = np.ones(field.shape), np.zeros(field.shape), field + views * (day - field)
    links = over_sphere(even, even[1:], none, none[1:])
    return spread(np.where(known, here, 0.0), HELD * np.maximum(known, views), links, here, ENOUGH_MEANWHILE)


def _around_windows(seen: Surfaces, views: NDArray[np.bool_]) -> Matrix:
    """How likely white paint the wall around a window is: as far as the other walls are.

    It stands with its back to the day and looks too dim for white; but it is seldom painted otherwise.
    """
    level = (np.abs(pitch_of_row(np.arange(ROWS), ROWS)) < WALL_DEG)[:, None] & seen.known
    near = _near(views)
    others, here = level & ~near, level & near
    if not here.any() or not others.any():
        return np.zeros(seen.trust.shape)
    painted = min(PAINTED * float(np.average(seen.trust[others], weights=area()[others])), 1.0)
    alike = np.exp(-LIKE_THE_WALL * np.abs(seen.light - np.median(seen.light[here])))
    return np.where(here, painted * alike, 0.0)


def _near(views: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Cells at the height of a view, and beside it."""
    beside = np.logical_or.reduce([turned(views, step) for step in range(-BESIDE, BESIDE + 1)])
    over = np.pad(beside, ((ABOVE, ABOVE), (0, 0)))
    return np.asarray(np.lib.stride_tricks.sliding_window_view(over, 2 * ABOVE + 1, axis=0).any(axis=-1))


def _amid(views: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Cells that have a view above them, and below or on both sides: hedges and lawns in a window."""
    wide = views | turned(views, 1) | turned(views, -1)
    above, below, left, right = (np.zeros_like(views) for _ in range(4))
    for step in range(1, WINDOW_CELLS + 1):
        above[step:] |= wide[:-step]
        below[:-step] |= wide[step:]
        left |= turned(views, step)
        right |= turned(views, -step)
    return np.asarray(above & (below | (left & right)))


def place_at(places: Matrix, yaw_deg: float, pitch_deg: float) -> Matrix:
    """Place (2,) of the light in the cell that a direction falls into."""
    row = int(np.clip((90 - pitch_deg) / 180 * ROWS, 0, ROWS - 1))
    column = int((yaw_deg + 180) / 360 * 2 * ROWS) % (2 * ROWS)
    return np.asarray(places[row, column])


def _links(seen: Surfaces, length: Matrix, across: Matrix) -> tuple[Links, Links]:
    """Steps of light, along the curve and across it, that neighbouring cells of one surface show.

    They are nearly nothing between two surfaces.
    """
    right = [np.roll(value, -1, axis=1) - value for value in (length, across, seen.light)]
    down = [value[1:] - value[:-1] for value in (length, across, seen.light)]
    both = (seen.known & np.roll(seen.known, -1, axis=1), seen.known[1:] & seen.known[:-1])
    same = [
        _same(steps[0], steps[1], steps[2], known) for steps, known in ((right, both[0]), (down, both[1]))
    ]
    right_links, down_links = (STIFF * np.maximum(sameness, BETWEEN_SURFACES) for sameness in same)
    along, beside = (
        over_sphere(
            right_links,
            down_links,
            _light_steps(same[0], right[way], axis=1),
            _light_steps(same[1], down[way], axis=0),
        )
        for way in (0, 1)
    )
    return along, beside


def _light_steps(same: Matrix, steps: Matrix, *, axis: int) -> Matrix:
    """Steps of light: as seen within a surface; next to its edge, where a cell holds of both, the trend."""
    ends = np.pad(same, [(0, 0), (1, 1)] if axis else [(1, 1), (0, 0)], mode="wrap" if axis else "edge")
    count = same.shape[axis]
    within = np.minimum.reduce([np.take(ends, range(first, first + count), axis=axis) for first in range(3)])
    usual = trend(same * steps, axis=axis)
    return np.asarray(usual + within * (steps - usual))


def _same(along: Matrix, across: Matrix, light: Matrix, known: NDArray[np.bool_]) -> Matrix:
    """How likely two neighbouring cells are one surface, 0 to 1."""
    scaled = [
        (step / scale) ** 2 for step, scale in zip((along / 4, across, light), SAME_SURFACE, strict=True)
    ]
    return np.asarray(np.exp(-sum(scaled)) * known)
