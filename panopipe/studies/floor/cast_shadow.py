"""Where the soft shadow of a foot may fall in one frame, so that it is covered too.

A cast shadow is a lobe that starts under the foot, widens and fades away from a light. On a patterned floor
it drowns in the pattern. So the odds of each direction, size and depth are weighed: how well such a lobe
explains the darkness around the foot, against what the floor's own pattern does by itself (boards and tiles
have tones), next to an even slope of the light, to materials and to the contact shadow all around. The light
helps: a floor is brighter towards a window, and the shadow falls away from it. What is likeliest to be shadow
is then covered first, until about so much floor as allowed would be covered needlessly.

References
----------
.. [1] S. M. Kay, Fundamentals of Statistical Signal Processing, vol. II: Detection Theory, 1998 (the matched
   filter in noise that is not white; linear nuisances).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from panopipe.studies.floor.cells import Cells, cells_of, covariance, places_of_cells

Picture = NDArray[np.float32]
Float = NDArray[np.float64]

STEP_DEG = 0.5
"""Height of a row of the ring map."""
_DIRECTIONS = 32
_START, _LENGTH, _WIDTH, _SPREAD = 0.5, 0.6, 0.5, 0.4
"""A lobe's start, fading length, half-width and widening, in radii of the foot (a window's half-shadow)."""
_SIZES = (0.85, 1.0, 1.2)
"""Sizes of the lobes that are weighed."""
_DEPTHS = np.array((0.04, 0.08, 0.12, 0.16, 0.2, 0.25, 0.3, 0.4, 0.5))
_DEPTH_ODDS = np.array((1, 1, 1, 1.5, 1.5, 1, 0.7, 0.4, 0.2))
"""Share of light that a lobe takes where it starts, and how often such depths are met: from memory."""
_LEAST_DEPTH = 0.22
"""Depth for which to cover at least: to cover the lobe of a weak shadow too far costs a little floor."""
_SHADOW_SHARE = 0.04
"""Loss of light that counts as shadow."""
_SIDE, _REACH = 0.2, 2.6
"""Side of a cell and how far out the floor is looked at, in radii of the foot."""
_FROM_DEG, _CONTACT_DEG = 1.0, 4.5
"""Where beside the foot floor is sure, and to where a contact shadow may reach."""
_TOWARDS_LIGHT = 1.5
"""Logarithm of the odds that a clear slope of the light gives the direction away from it."""
_SLOPE = 0.05
"""Slope, in log light per camera height, from which it counts as clear."""
_TRUST = 0.7
"""Power to which the odds are taken: floors are not quite as regular as reckoned."""
_BLUR = np.array((1, 2, 3, 2, 1)) / 9
"""How sure a direction can be, in steps of directions."""
_NEEDLESS = 0.26
"""Floor that may be covered needlessly, over what is covered rightly."""
_MARGIN_DEG, _SURE_DEG = 0.5, 0.3
"""Cover beyond an outline that is reckoned with, and how much of a contact shadow's outline may be floor."""
_UNLIKELY = 0.02
_FEWEST = 60
"""Cells below which nothing can be said."""


def cast_shadow_deg(
    luma: Picture, chroma: Picture, foot_deg: Float, contact_deg: Float, size_deg: float
) -> Float:
    """Angle from the nadir, in each direction, to which to cover for the cast shadow.

    Parameters
    ----------
    luma : ndarray of shape (rows, columns), dtype float32
        Log luminance of a ring map.
    chroma : ndarray of shape (rows, columns, 2), dtype float32
        Its colour, in units of what counts as different, about that of the floor.
    foot_deg, contact_deg : ndarray of shape (columns,), dtype float64
        Edge of the foot, and of its contact shadow, which is covered anyway.
    size_deg : float
        Angular radius of the foot.

    Returns
    -------
    ndarray of shape (columns,), dtype float64
        Degrees; zero where nothing more needs cover.
    """
    rings = np.concatenate([luma[..., None], chroma], axis=-1).astype(np.float32)
    cells = cells_of(rings, STEP_DEG, foot_deg, from_deg=_FROM_DEG, unit_deg=size_deg, side=_SIDE)
    if (cells.known & (np.hypot(cells.x, cells.y) < _REACH)).sum() < _FEWEST:
        return np.zeros(luma.shape[1])
    odds = _odds(cells, _slope(cells, np.tan(np.radians(size_deg))))
    return _covered(_likely(odds, luma.shape, size_deg), contact_deg)


def _odds(cells: Cells, slope: Float) -> Float:
    """Odds of each size, direction and depth of lobe, shape (sizes, directions, depths); their sum is 1."""
    used = cells.known & (np.hypot(cells.x, cells.y) < _REACH)
    even, light = _even(cells), _light(cells)
    pattern = np.where(cells.known, light - even @ _fitted(even[cells.known], light[cells.known]), 0)
    seen = np.concatenate([light[used][:, None], even[used], _lobes(len(used))[used]], axis=1)
    products = seen.T @ np.linalg.solve(covariance(pattern, used, cells.known), seen)
    # What evenness explains is no evidence.
    first = 1 + even.shape[-1]
    own = products[1:first, 1:first]
    own += np.eye(len(own)) * (1e-9 * np.trace(own))
    products -= products[:, 1:first] @ np.linalg.solve(own, products[1:first])
    shape = (len(_SIZES), _DIRECTIONS, 1)
    along = products[first:, 0].reshape(shape)
    energy = np.maximum(np.diag(products)[first:], 1e-9).reshape(shape)
    depth = -np.log(1 - _DEPTHS)
    evidence = -along * depth - 0.5 * energy * np.square(depth) + np.log(_DEPTH_ODDS)
    away = -(slope[0] * np.sin(_angles()) + slope[1] * np.cos(_angles()))
    evidence += _TOWARDS_LIGHT * away[:, None]
    odds = np.exp(_TRUST * (evidence - evidence.max()))
    middle = len(_BLUR) // 2
    blurred: Float = (
        sum(share * np.roll(odds, at - middle, axis=1) for at, share in enumerate(_BLUR)) / odds.sum()
    )
    return blurred


def _light(cells: Cells) -> Float:
    """Log light about its median, bounded: one white stone or black joint must not decide."""
    light = cells.values[..., 0].astype(np.float64)
    light -= np.median(light[cells.known])
    bound = 3 * 1.4826 * float(np.median(np.abs(light[cells.known]))) + 0.02
    bounded: Float = np.clip(light, -bound, bound)
    return bounded


def _even(cells: Cells) -> Float:
    """What is no cast shadow: slope and bend of the light, materials, a contact shadow; a column each."""
    x, y = cells.x, cells.y
    parts = [np.ones_like(x), x, y, x * x, x * y, y * y, *_stuff(cells.values[..., 1:])]
    used = cells.known & (np.hypot(x, y) < _REACH)
    for at in np.arange(_FROM_DEG, _CONTACT_DEG + STEP_DEG, STEP_DEG):
        ring = np.clip(1 - np.abs(cells.beyond_deg - at) / STEP_DEG, 0, 1)
        if ring[used].sum() > 1:
            parts.append(ring)
    return np.stack(parts, -1)


def _stuff(chroma: Picture) -> list[Float]:
    """What may tell one material from another: a shadow leaves colour as it is."""
    first, second = np.tanh(chroma[..., 0].astype(np.float64)), np.tanh(chroma[..., 1].astype(np.float64))
    return [first, second, first * first, first * second, second * second]


def _slope(cells: Cells, unit: float) -> Float:
    """Direction to which the floor becomes brighter, shorter than 1 where it hardly does."""
    clear = cells.known & (cells.beyond_deg > _CONTACT_DEG)
    clear = clear if clear.sum() >= _FEWEST else cells.known
    parts = [np.ones_like(cells.x), cells.x, cells.y, *_stuff(cells.values[..., 1:])]
    slope = _fitted(np.stack(parts, -1)[clear], _light(cells)[clear])[1:3] / unit
    shortened: Float = slope / (np.hypot(*slope) + _SLOPE)
    return shortened


def _fitted(parts: Float, values: Float) -> Float:
    """Least squares by normal equations, columns brought to one length; what others explain gets nothing."""
    length = np.sqrt(np.einsum("nk,nk->k", parts, parts)) + 1e-12
    scaled = parts / length
    products = scaled.T @ scaled + 1e-9 * np.eye(parts.shape[1])
    coefficients: Float = np.linalg.solve(products, scaled.T @ values) / length
    return coefficients


def _angles() -> Float:
    return np.asarray(2 * np.pi / _DIRECTIONS * np.arange(_DIRECTIONS), np.float64)


def _turned(x: Float, y: Float, angle: float) -> tuple[Float, Float]:
    """Places as seen in a direction: aside, and away."""
    return x * np.cos(angle) - y * np.sin(angle), x * np.sin(angle) + y * np.cos(angle)


@lru_cache(maxsize=4)
def _lobes(count: int) -> Float:
    """Lobes of each size and direction on a square of cells, shape (count, count, sizes x directions).

    Kept, as the frames of a job have the same foot. Beyond what is looked at they are zero.
    """
    x, y = places_of_cells(count, _SIDE)
    near = np.hypot(x, y) < _REACH
    lobes = np.zeros((count, count, len(_SIZES) * _DIRECTIONS))
    lobes[near] = np.array(
        [_lobe(*_turned(x[near] / size, y[near] / size, angle)) for size in _SIZES for angle in _angles()]
    ).T
    return lobes


def _lobe(aside: Float, away: Float) -> Float:
    """The shadow of a foot, away from a light, at places given in radii of the foot."""
    beyond = np.maximum(away - _START, 0)
    across = np.exp(-np.square(aside / (_WIDTH + _SPREAD * beyond)))
    lobe: Float = across * np.exp(-beyond / _LENGTH) * (away > _START)
    return lobe


def _likely(odds: Float, shape: tuple[int, ...], size_deg: float) -> Float:
    """How likely each cell of a ring map lies in shadow."""
    rows, columns = shape
    far = np.tan(np.radians((np.arange(rows) + 0.5) * STEP_DEG))[:, None] / np.tan(np.radians(size_deg))
    yaw = (np.arange(columns) + 0.5) * (2 * np.pi / columns)
    aside, away = far * np.sin(yaw), far * np.cos(yaw)
    likely = np.zeros((rows, columns // 2 + 1), np.complex128)
    depths = np.maximum(_DEPTHS, _LEAST_DEPTH)
    for number, size in enumerate(_SIZES):
        lobe = _lobe(aside / size, away / size)
        for depth in np.unique(depths):
            turns = np.zeros(columns)
            turns[:: columns // _DIRECTIONS] = odds[number][:, depths == depth].sum(-1)
            dark = (lobe * depth > _SHADOW_SHARE).astype(np.float64)
            likely += np.fft.rfft(dark, axis=1) * np.fft.rfft(turns)
    likelihood: Float = np.fft.irfft(likely, columns, axis=1)
    return likelihood


def _covered(likely: Float, contact_deg: Float) -> Float:
    """Cover the likeliest cells first, until the needless cover to be expected comes to what is allowed."""
    rows = len(likely)
    angle = ((np.arange(rows) + 0.5) * STEP_DEG)[:, None]
    weight = np.broadcast_to(np.sin(np.radians(angle)), likely.shape)
    anyway = angle < contact_deg + _MARGIN_DEG
    sure = float((weight * (angle < contact_deg - _SURE_DEG)).sum())
    right = sure + float((weight * likely)[~anyway].sum())
    open_to = ~anyway & (likely > _UNLIKELY)
    odds, area = likely[open_to], weight[open_to]
    order = np.argsort(-odds, kind="stable")
    needless = float((weight * anyway).sum()) - sure + np.cumsum((area * (1 - odds))[order])
    count = int((needless < _NEEDLESS * right).sum())
    least = float(odds[order][count]) if count < odds.size else _UNLIKELY
    reach: Float = np.where(likely > least, angle + STEP_DEG / 2, 0.0).max(axis=0)
    return reach
