"""Find what stands under the camera, whatever it is.

Each frame is seen as a ring map: angle from the nadir by direction around it. What is there and is nowhere
else on the frame's own floor (see `unlike`) speaks for a support; one rig may stand in many frames, turned,
and two in one job, so frames in which the same form stands are joined. The outline is the best closed line
around the nadir, found by dynamic programming: legs are narrow and long, so that a jump of it costs no more
than a bound. A floor without support gains nothing by any line.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.studies.floor.cast_shadow import cast_shadow_deg
from panopipe.studies.floor.closed_line import best_closed_line
from panopipe.studies.floor.leg_shadow import find_leg_shadows
from panopipe.studies.floor.outline import DIRECTIONS, Outline
from panopipe.studies.floor.pole_shadow import PoleShadow, find_pole_shadows
from panopipe.studies.floor.unlike import FOCAL_PX, unlike_floor
from panopipe.studies.floor.unlike import STEP_DEG as FINE_DEG

Picture = NDArray[np.float32]
Float = NDArray[np.float64]
Whole = NDArray[np.int64]

STEP_DEG = 0.5
"""Height of a row of the ring map."""
MAP_ROWS = 64
MAP_COLUMNS = 128
FLOOR_DEG = (19.0, 31.0)
"""Where each frame's own floor is learnt, beyond any foot and its shadow."""
_SMALLEST_DEG = 1.05
LUMA_SCALE, _CHROMA_SCALE = 0.12, 0.05
"""Differences in log light that count as one: shade may vary on one floor, colour less."""
_SHADOW_SHARE = 0.03
"""Loss of light that counts as shadow."""
_SIZE_PERCENTILE, _WIDER_DEG = 90.0, 0.2
"""What counts as the foot's size, and by how much its outline is found too wide, for the dark beside it: a
foot of toes casts a shadow as wide as they reach."""
_MOST_EVIDENCE, _STIFFNESS = 1.5, 1.2
"""The most a spot can say, in doublings; price of a step of the outline to the next direction, in pixels of
area."""


@dataclass(frozen=True, slots=True)
class _Reckoning:
    """How readily an outline follows what is unlike the floor.

    Attributes
    ----------
    even : float
        Unlikeness that speaks for a support as much as against it.
    dearest : float
        The most that a jump of the outline costs, in pixels of area.
    """

    even: float
    dearest: float


_READY, _SLOW = _Reckoning(1.25, 4.0), _Reckoning(1.4, 6.0)
"""Where something stands, its outline follows thin legs; whether anything stands is told without that, or the
butt of two boards gathers enough."""
_GAIN, _MEAN, _AT_NADIR = 220.0, 0.6, 4.0
"""Evidence inside an outline, its mean, and unlikeness at the nadir itself that no shade explains, of which
half at least must be there."""
_NADIR_DEG = 2.8
_PLAIN = 8.0
"""How many times that evidence, of things that no shade explains, says as much: in its middle a plain grey
plate is as a floor in shade is. On 100 rendered places without a support they come to 2.4 times at most, at
half the mean."""
_ALL_AROUND, _ROUND, _AT_RIM, _OF_RIM = 10.0, 1.3, 1.5, 0.5
"""The percentile of directions that tells how near the outline of a round plate comes, how much farther it
reaches in as many, and what says in a direction, and in what share of them, that its rim is no shade's. Of 88
shades with hard and soft edges laid round the nadir of drawn floors none is so round: 1.34 at least."""
_ENOUGH = 0.5
"""Certainty from which something stands there."""
_SAYS = 0.1
"""Certainty below which nothing more is reckoned."""
_SPOT = 0.02
"""Reach of what describes a spot, in camera heights."""
_LEAST_SIZE_DEG, _STOUT = 1.5, 1.35
_CONTACT_DEG, _ENOUGH_FRAMES = 0.4, 3
"""Contact shadow to reckon with anyway, and the frames of a rig from which it is measured: on one floor alone
its own pattern is darker and lighter by more."""
_HALO, _FOOT_HALO = 0.45, 3.4
"""Rows by which outlines are found too wide, as a spot is described by its surroundings; and the same where
the dark right beside a foot must not count as foot."""
_HARD, _SIDE_DEG = 0.3, 35.0
"""Log light that thin shadows together take from which little is left for soft ones, and how far beside their
directions a soft one is still looked for."""
_LEG_ROWS, _NARROW, _LEG_COLUMNS, _ABOUT = 6, 30, 5, 10
"""Rows by which a leg reaches beyond its hub, columns that it is narrower than, those over which another leg
is looked for, and how far from a third or a quarter of a turn."""
_TO_THE_END, _BESIDE_COLUMNS, _OTHER_FLOOR = 59, 6, 4.0
"""Row from which a leg reaches to the end of the map, columns beside it in which the floor is looked at, and
the difference in colour from which it is not the same floor: boards and tiles differ by less."""
_LEG_MEAN, _LEG_LEAST = 1.2, 0.9
"""Unlikeness along such a leg, and the least of four fifths of it."""
_BESIDE_LEG = 0.006
"""Room beside an outline, in camera heights: a leg is .02 wide; twice that tears a rug beside a plate."""
_FINE_ROWS, _FINE_COLUMNS = 63, 256
_PER_COLUMN = _FINE_COLUMNS // MAP_COLUMNS
_ALIKE, _AT_ONCE = 0.7, 16
"""Likeness of what two frames show from which they are held to show the same rig, and how many are compared
at once: a night's would fill memory."""


@dataclass(frozen=True, slots=True, eq=False)
class RingMap:
    """Surroundings of the nadir as one frame sees them.

    Attributes
    ----------
    logs : ndarray of shape (64, 128, 3), dtype float16
        Log light; row 0 at the nadir, half a degree a row; column 0 starts at yaw -180.
    unlike : ndarray of shape (2, 63, 256), dtype float16
        How unlike the floor further out each spot is, with shade and without (see `unlike_floor`).
    shadows : tuple of PoleShadow
        Straight thin shadows that start under the camera.
    """

    logs: NDArray[np.float16]
    unlike: NDArray[np.float16]
    shadows: tuple[PoleShadow, ...] = ()


def ring_map(frame: Picture) -> RingMap:
    """Observe a whole frame, at reduced size."""
    height = frame.shape[0]
    rows = max(2, round(height * MAP_ROWS * STEP_DEG / 180))
    bottom = np.ascontiguousarray(frame[height - rows :][::-1])
    small = cv2.resize(bottom, (MAP_COLUMNS, MAP_ROWS), interpolation=cv2.INTER_AREA)
    floor = max(float(np.median(small)), 1e-6)
    logs = np.log(np.maximum(small, 0) + 0.02 * floor).astype(np.float16)
    unlike = unlike_floor(frame)
    seen = RingMap(logs, unlike)
    if _surely_stands(unlike, _evidence(seen, _SLOW.even)) < _ENOUGH:
        # Without a support its pole throws no shadow.
        return seen
    line = _closed_line(_evidence(seen, _READY.even)[1], _READY.dearest)
    under_deg = np.asarray((line - _HALO) * FINE_DEG, np.float64)
    shadows = find_pole_shadows(frame, under_deg)
    return replace(seen, shadows=shadows + find_leg_shadows(frame, _ends_of(line), under_deg, shadows))


@dataclass(frozen=True, slots=True, eq=False)
class Footprint:
    """What stands under the camera in one frame.

    Attributes
    ----------
    outline : Outline
        Monopod and contact shadow, in the yaw of the frame's arrays.
    foot : Outline
        The monopod alone.
    certainty : float
        0 to 1: how surely something stands there; below .5, nothing is to be done.
    shadows : tuple of PoleShadow
        Thin shadows of its pole, which reach beyond the outline.
    """

    outline: Outline
    foot: Outline
    certainty: float
    shadows: tuple[PoleShadow, ...] = ()


def find_footprint(maps: Sequence[RingMap]) -> list[Footprint]:
    """Find what stands under the camera in each frame.

    Parameters
    ----------
    maps : sequence of RingMap
        One of each frame, in an order that does not change from run to run.

    Returns
    -------
    list of Footprint
        One of each frame.
    """
    evidence = np.array([_evidence(ring, _READY.even) for ring in maps])
    rig, turn = _rigs(evidence.max(1))
    footprints: dict[int, Footprint] = {}
    for number in np.unique(rig):
        members = [int(at) for at in np.flatnonzero(rig == number)]
        turned = np.array([np.roll(evidence[at], -turn[at], axis=-1) for at in members])
        joint = turned[:, 1].mean(0)
        logs = [np.roll(maps[at].logs, -(turn[at] // _PER_COLUMN), axis=1) for at in members]
        features = np.array([features_of(light.astype(np.float32)) for light in logs])
        sure = _certainties([maps[at] for at in members], [int(turn[at]) for at in members])
        for place, at in enumerate(members):
            things = (turned[place, 1] + joint) / 2
            found, shaded = (
                _without_edges(_closed_line(each, _READY.dearest), features[place])
                for each in (things, np.maximum(turned[place, 0], things))
            )
            line = _with_all_legs(found, maps[at].unlike[0], int(turn[at]))
            shaded = np.maximum(line, shaded)
            footprints[at] = _footprint(
                features, place, line, shaded, sure[place], int(turn[at]), maps[at].shadows
            )
    return [footprints[at] for at in range(len(maps))]


def _footprint(
    features: Picture,
    place: int,
    line: Whole,
    shaded: Whole,
    certainty: float,
    turn: int,
    shadows: tuple[PoleShadow, ...],
) -> Footprint:
    """Outline of a support and its soft shadow in one of the frames of its rig, all turned alike."""
    own_deg = np.asarray((line - _HALO) * FINE_DEG, np.float64)
    fine_deg = _wider(own_deg)
    foot_deg = _widest(fine_deg)
    radius = np.ceil(foot_deg / STEP_DEG).astype(np.int64)
    contact = np.maximum(
        _widest(np.asarray((shaded - _HALO) * FINE_DEG, np.float64)), foot_deg + _CONTACT_DEG
    )
    if len(features) >= _ENOUGH_FRAMES:
        contact = np.maximum(contact, shadow_radius(features, radius) * STEP_DEG)
    reach_deg = float(np.percentile(foot_deg, _SIZE_PERCENTILE)) - _WIDER_DEG
    # Legs reach far and shade little.
    size_deg = max(_LEAST_SIZE_DEG, min(reach_deg, _STOUT * math.sqrt(float(np.square(fine_deg).mean()))))
    own = features[place]
    chroma = own[..., 1:] - np.median(own[ring_rows(*FLOOR_DEG), :, 1:], axis=(0, 1))
    cast = cast_shadow_deg(own[..., 0] * LUMA_SCALE, chroma, foot_deg, contact, size_deg)
    cast = np.where(_may_be_cast(shadows, turn), cast, 0)
    shadow_deg = np.maximum(fine_deg, np.repeat(np.maximum(contact, cast), _PER_COLUMN))
    return Footprint(
        outline_of_columns(shadow_deg, turn),
        outline_of_columns(own_deg - (_FOOT_HALO - _HALO) * FINE_DEG, turn),
        certainty,
        shadows,
    )


def _may_be_cast(shadows: Sequence[PoleShadow], turn: int) -> NDArray[np.bool_]:
    """Columns in which a soft shadow may fall: where the pole throws hard ones, these say where from."""
    if sum(shadow.depth for shadow in shadows if not shadow.by_colour) < _HARD:
        return np.ones(MAP_COLUMNS, np.bool_)
    yaw_deg = (np.arange(MAP_COLUMNS) + turn / _PER_COLUMN + 0.5) * (360 / MAP_COLUMNS) - 180
    towards = np.array([shadow.yaw_deg for shadow in shadows])
    off = np.abs((yaw_deg[:, None] - towards + 180) % 360 - 180)
    return np.asarray((off < _SIDE_DEG).any(1), np.bool_)


def _without_edges(line: Whole, features: Picture) -> Whole:
    """The outline without narrow parts that follow a rug's edge.

    These go on to the map's end, and colour differs from side to side; of a leg one of these may be true.

    Parameters
    ----------
    line : ndarray of shape (256,), dtype int64
    features : ndarray of shape (64, 128, 3), dtype float32
        Of the same frame, turned alike (see `features_of`).
    """
    hub, kept = int(np.percentile(line, 25)), line.copy()
    for middle in _legs_of(line, hub):
        if line[middle] < _TO_THE_END:
            continue
        # To half its length, for a toe may stand beside it.
        far = line > (hub + line[middle]) // 2
        left, right = (_first_near(far, middle, step) for step in (-1, 1))
        near, end = (math.floor(row * FINE_DEG / STEP_DEG) for row in (hub + _LEG_ROWS, line[middle]))
        rows = slice(near, max(end, near + 1))
        sides = [
            features[rows, np.arange(at, at + step * _BESIDE_COLUMNS, step) // _PER_COLUMN % MAP_COLUMNS, 1:]
            for at, step in ((left, -1), (right, 1))
        ]
        apart = np.median(sides[0].mean(1) - sides[1].mean(1), axis=0)
        if np.hypot(*apart) > _OTHER_FLOOR:
            columns = np.arange(left, right + 1) % _FINE_COLUMNS
            kept[columns] = np.minimum(line[columns], max(line[columns[0]], line[columns[-1]]))
    return kept


def _first_near(far: NDArray[np.bool_], middle: int, step: int) -> int:
    """The first column to one side at which an outline is near again."""
    column = middle
    while far[column % _FINE_COLUMNS]:
        column += step
    return column


def _with_all_legs(line: Whole, unlike: NDArray[np.float16], turn: int) -> Whole:
    """The outline with legs that it misses: at a third or a quarter of a turn from one that it follows."""
    seen = np.roll(unlike.astype(np.float32), -turn, axis=1)
    seen = cv2.blur(np.concatenate([seen[:, -8:], seen, seen[:, :8]], axis=1), (_LEG_COLUMNS, 1))[:, 8:-8]
    hub, whole = int(np.percentile(line, 25)), line.copy()
    for middle in _legs_of(line, hub):
        length = int(line[middle])
        for part in (3, -3, 4, -4):
            near = (middle + round(_FINE_COLUMNS / part) + np.arange(-_ABOUT, _ABOUT + 1)) % _FINE_COLUMNS
            along = seen[hub : length - 1, near]
            best = int(along.mean(0).argmax())
            if along[:, best].mean() > _LEG_MEAN and np.percentile(along[:, best], 20) > _LEG_LEAST:
                columns = (near[best] + np.arange(-_LEG_COLUMNS, _LEG_COLUMNS + 1)) % _FINE_COLUMNS
                whole[columns] = np.maximum(whole[columns], length)
    return whole


def _ends_of(line: Whole) -> list[tuple[float, float]]:
    """Where legs end on the floor: yaw in degrees, and distance from the nadir in camera heights."""
    legs = _legs_of(line, int(np.percentile(line, 25)))
    return [
        ((leg + 0.5) * 360 / _FINE_COLUMNS - 180, math.tan(math.radians((line[leg] - _FOOT_HALO) * FINE_DEG)))
        for leg in legs
    ]


def _legs_of(line: Whole, hub: int) -> list[int]:
    """Middle columns of what reaches far and is narrow."""
    far = line > hub + _LEG_ROWS
    if far.all() or not far.any():
        return []
    start = int(np.flatnonzero(~far)[0])
    turned = np.roll(far, -start).astype(np.int8)
    begins, ends = np.flatnonzero(np.diff(turned) == 1) + 1, np.flatnonzero(np.diff(turned) == -1) + 1
    ends = np.append(ends, _FINE_COLUMNS) if len(ends) < len(begins) else ends
    legs = []
    for begin, end in zip(begins, ends, strict=True):
        own = np.roll(line, -start)[begin:end]
        top = np.flatnonzero(own >= own.max() - 2)
        if len(top) < _NARROW:
            legs.append(int(begin + top.mean() + start) % _FINE_COLUMNS)
    return legs


def _wider(fine_deg: Float) -> Float:
    """Outline with room beside what reaches far, where it may be a little aslant."""
    far, beside = np.tan(np.radians(fine_deg)), np.arange(1, _FINE_COLUMNS // 8)
    # As far out as the room beside the neighbouring direction reaches.
    room = np.array([_BESIDE_LEG / math.sin(columns * 2 * math.pi / _FINE_COLUMNS) for columns in beside])
    left = (np.arange(_FINE_COLUMNS) - beside[:, None]) % _FINE_COLUMNS
    right = (np.arange(_FINE_COLUMNS) + beside[:, None]) % _FINE_COLUMNS
    reached = np.minimum(np.maximum(far[left], far[right]), room[:, None]).max(axis=0)
    return np.asarray(np.degrees(np.arctan(np.maximum(far, reached))), np.float64)


def _widest(fine_deg: Float) -> Float:
    """Outline in the ring map's columns, of the finer ones the wider."""
    widest: Float = fine_deg.reshape(MAP_COLUMNS, _PER_COLUMN).max(1)
    return widest


def _evidence(seen: RingMap, even: float) -> Picture:
    """For each cell, how much speaks for a support: -1 for floor, 0 for neither; with shade and without."""
    ratio = np.maximum(seen.unlike.astype(np.float32), 0.05) / np.float32(even)
    evidence = np.clip(np.log2(ratio), -1, _MOST_EVIDENCE)
    far = np.tan(np.radians((np.arange(_FINE_ROWS) + 0.5) * FINE_DEG))[:, None]
    yaw = (np.arange(_FINE_COLUMNS) + 0.5) * (2 * np.pi / _FINE_COLUMNS) - np.pi
    for shadow in seen.shadows:
        # What a pole's shadow darkens is rebuilt as a strip of its own.
        turn = yaw - math.radians(shadow.yaw_deg)
        aside = np.abs(far * np.sin(turn) - shadow.offset)
        inside = (aside < 2 * shadow.half + _SPOT) & (far * np.cos(turn) > max(shadow.begin, 0))
        evidence[:, inside] = np.minimum(evidence[:, inside], 0)
    return np.asarray(evidence, np.float32)


def _area() -> Float:
    """Pixels of the floor's view that a cell of each row covers."""
    edge = np.tan(np.radians(np.arange(_FINE_ROWS + 1) * FINE_DEG)) * FOCAL_PX
    area: Float = np.pi * np.diff(np.square(edge)) / _FINE_COLUMNS
    return area


def _rigs(evidence: Picture) -> tuple[Whole, Whole]:
    """Which rig stands in each frame, and by how many columns it is turned against the others of its rig."""
    count, area = len(evidence), _area()[:, None]
    spectra = np.empty((count, _FINE_ROWS, _FINE_COLUMNS // 2 + 1), np.complex128)
    size = np.empty(count)
    for at, own in enumerate(evidence):
        shape = np.maximum(own, 0) * area
        spectra[at], size[at] = np.fft.rfft(shape, axis=-1), np.sqrt(np.square(shape).sum()) + 1e-9
    rig, turn = np.full(count, -1, np.int64), np.zeros(count, np.int64)
    for first in np.argsort(-size, kind="stable"):
        if rig[first] >= 0:
            continue
        rig[first] = first
        others = np.flatnonzero(rig < 0)
        for some in np.split(others, range(_AT_ONCE, len(others), _AT_ONCE)):
            match = np.fft.irfft((spectra[some] * np.conj(spectra[first])).sum(1), _FINE_COLUMNS, axis=-1)
            alike = match.max(-1) / (size[some] * size[first]) > _ALIKE
            rig[some[alike]], turn[some[alike]] = first, match.argmax(-1)[alike]
    return rig, turn


def features_of(logs: Picture) -> Picture:
    """Log light as luminance and two colour differences, each in units of what counts as different."""
    red, green, blue = np.moveaxis(logs, -1, 0)
    luma = 0.3 * red + 0.6 * green + 0.1 * blue
    return np.stack(
        [luma / LUMA_SCALE, (red - green) / _CHROMA_SCALE, (blue - green) / _CHROMA_SCALE], -1
    ).astype(np.float32)


def ring_rows(low_deg: float, high_deg: float) -> slice:
    """Rows of a ring map between two angles from the nadir."""
    return slice(round(low_deg / STEP_DEG), round(high_deg / STEP_DEG))


def _closed_line(evidence: Picture, dearest: float) -> Whole:
    """Row of the outline in each column: most evidence inside, at the price of its jumps."""
    low = round(_SMALLEST_DEG / FINE_DEG)
    gain = np.cumsum(evidence * _area()[:, None], axis=0)[low - 1 :]
    states = gain.shape[0]
    apart = np.abs(np.arange(states)[:, None] - np.arange(states)[None, :])
    bend = np.minimum(_STIFFNESS * apart, dearest)
    return best_closed_line(gain, bend) + low


def _surely_stands(unlike: NDArray[np.float16], evidence: Picture) -> float:
    """How surely something stands under the camera, and not shade alone, by whatever tells it best."""
    return max(_sure_at_nadir(unlike), _sure_around(evidence[1]), _sure_round(evidence))


def _sure_at_nadir(unlike: NDArray[np.float16]) -> float:
    """How surely something is at the nadir, in three of four directions: whatever stands there covers it."""
    reach = round(_NADIR_DEG / FINE_DEG)
    nadir = float(np.percentile(unlike[1, :reach].astype(np.float32).max(0), 25))
    return float(np.log2(max(nadir, 1.0)) / np.log2(_AT_NADIR))


def _sure_around(things: Picture) -> float:
    """How surely something stands round the nadir, by evidence that no shade explains.

    Elsewhere it may look like the floor: toes do on the dark squares of a chequered one.
    """
    line = _closed_line(things, _SLOW.dearest)
    return _plainly(things, line) if np.median(line) * FINE_DEG >= _NADIR_DEG else 0.0


def _sure_round(evidence: Picture) -> float:
    """How surely a round plate stands under the camera, where shade would explain all but parts of its rim.

    On a plain floor beside a rug it could be that floor in shade, were it not for the rug's side of its rim.
    """
    both = evidence.max(0)
    line = _closed_line(both, _SLOW.dearest)
    near, far = np.percentile(line, (_ALL_AROUND, 100 - _ALL_AROUND))
    things = np.maximum(evidence[1], 0).sum(0, where=np.arange(_FINE_ROWS)[:, None] <= line)
    if near * FINE_DEG < _NADIR_DEG or far > _ROUND * near or (things > _AT_RIM).mean() < _OF_RIM:
        return 0.0
    return _plainly(both, line)


def _plainly(evidence: Picture, line: Whole) -> float:
    """How surely what lies within a line is a plain plate."""
    weight = _area()[:, None] * (np.arange(_FINE_ROWS)[:, None] < line)
    gain = float((evidence * weight).sum())
    return min(gain / (_PLAIN * _GAIN), 0.5 * gain / float(weight.sum()) / _MEAN)


def _certainties(maps: Sequence[RingMap], turned: Sequence[int]) -> list[float]:
    """From 0 to 1, how surely something stands in each frame of a rig; .5 is the least to act on."""
    evidence = np.array(
        [
            np.roll(_evidence(ring, _SLOW.even), -turn, axis=-1)
            for ring, turn in zip(maps, turned, strict=True)
        ]
    )
    joint = evidence[:, 1].mean(0)
    return [
        _certainty(own, (own[1] + joint) / 2, _surely_stands(ring.unlike, own))
        for own, ring in zip(evidence, maps, strict=True)
    ]


def _certainty(evidence: Picture, things: Picture, stands: float) -> float:
    """How surely something stands in one frame, by its evidence with shade, and that of things alone."""
    if stands < _SAYS:
        return 0.0
    weight = _area()[:, None] * (np.arange(_FINE_ROWS)[:, None] < _closed_line(things, _SLOW.dearest))
    gain = float((np.maximum(evidence[0], things) * weight).sum())
    return float(np.clip(min(gain / _GAIN, gain / float(weight.sum()) / _MEAN, stands), 0, 1))


def shadow_radius(features: Picture, radius: Whole) -> Whole:
    """Row of the shadow's edge: how far the floor is darker than further out, in most frames."""
    luma = features[..., 0] * LUMA_SCALE
    reach, columns = round(4.0 / STEP_DEG), np.arange(MAP_COLUMNS)
    row = radius + 1 + np.arange(2 * reach)[:, None]  # the map goes on beyond the largest foot by more
    near, far = luma[:, row[:reach], columns], luma[:, row[reach:], columns]
    loss = np.median(np.median(far, axis=1, keepdims=True) - near, axis=0)
    wide = np.concatenate([loss[:, -6:], loss, loss[:, :6]], axis=1)
    loss = np.median(np.lib.stride_tricks.sliding_window_view(wide, 13, axis=1), axis=-1)
    dark = np.logical_and.accumulate(loss > _SHADOW_SHARE, axis=0)
    return radius + 1 + np.asarray(dark.sum(0), np.int64)


def outline_of_columns(radius_deg: Float, turn: int) -> Outline:
    """Outline of a radius in each column of a map that was turned by so many of them."""
    radius_deg = np.roll(radius_deg, turn)
    count = len(radius_deg)
    centres = (np.arange(count) + 0.5) * (360 / count)
    return Outline(np.interp(np.arange(DIRECTIONS) + 0.5, centres, radius_deg, period=360))
