"""Noise taken out of rows and of whole frames, scale by scale.

A large frame's coarse scales, where noise is seen as clouds of colour, are worked on at reduced size, whole,
and what changes there is added, enlarged. Then its fine ones are worked on row by row, with a margin.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.doubled import add_doubled, join_doubled
from panopipe.pixels.finest import shrink_finest
from panopipe.pixels.opponent import join_planes, part_planes
from panopipe.pixels.shrink import SMOOTH_REACH, shrink
from panopipe.studies.noise.model import NoiseModel
from panopipe.studies.noise.scales import (
    columns_of,
    halved_shares,
    has_room,
    reach_rows,
    stretches,
    white_overlap,
)

Floats = NDArray[np.float32]

LIMIT, COLOUR_LIMIT = 2.5, 3.0
"""Energy in a window, in units of the noise's, up to which nothing is kept. In white noise the mean over a
window of 30 correlated values hardly ever passes it; between 2.2 and 4 pictures of rooms and of trees
come out best against the truth, colours between 2.5 and 3.6. Lightness has the lower one: faint grain in wood
and cloth is missed sooner than noise is seen."""
COARSEST_PX = 64
"""Clouds of colour are taken out up to this size in pixels of the full frame."""
COARSEST_LIGHTNESS_PX = 16
"""Beyond it noise of lightness is far below what is seen, and shades are not."""


@dataclass(frozen=True, slots=True)
class Cleaning:
    """What is done to a frame.

    Attributes
    ----------
    model : NoiseModel
        Its noise as recorded.
    width : int
        Pixels of the frame as recorded.
    variance : ndarray of shape (3, 4), dtype float64
        `NoiseModel.variance_form`.
    grain : float
        Share of the noise of lightness that is left.
    cloud : float
        The same for that of colour.
    """

    model: NoiseModel
    width: int
    variance: NDArray[np.float64]
    grain: float
    cloud: float

    def _control(self, size_px: float) -> Floats:
        lightness = self.grain if size_px <= COARSEST_LIGHTNESS_PX else 1.0
        colour = [COLOUR_LIMIT, 1 - self.cloud]
        return np.array([[LIMIT, 1 - lightness], colour, colour], np.float32)

    def fine(self, light: Floats, coarse: Floats, first: int, height: int, scales: int) -> Floats:
        """Clean rows from `first` on at some scales.

        Parameters
        ----------
        light : ndarray of shape (margin + n + margin, width, 3), dtype float32
            Linear light. The margin is `fine_reach`.
        coarse : ndarray of shape (3, h, w), dtype float32
            What coarse scales change, see `parted`.
        first : int
            Row of the frame, `height` rows high, that comes first.
        height, scales : int
            Rows of the frame; scales, at least 1.

        Returns
        -------
        ndarray of shape (n, width, 3), dtype float32
            Rows without the margin.
        """
        margin, (count, width, _) = fine_reach(height, scales), light.shape
        cleaned = np.empty((3, count - 2 * margin, width), np.float32)
        if height % 2 or scales == 1:
            steps = [_Step(scale, 2**scale) for scale in range(scales)]
            self._run(_Rows(parted(light, coarse, first, height), first, height), steps, cleaned, fresh=True)
            return joined(cleaned)
        odd = first % 2
        half = np.empty((3, (count - 2 * SMOOTH_REACH - odd) // 2, width // 2), np.float32)
        how = self._how(_Step(0, 1), first, (count, width), height)
        pixels, between = np.ascontiguousarray(light), _coarse_places(light, coarse, first, height)
        shrink_finest(pixels, coarse, *between, *how, odd, odd, half, cleaned)
        top = first + SMOOTH_REACH + odd
        change, spare = self._at_half_size(_Rows(half, top // 2, height // 2), scales)
        out = np.empty((count - 2 * margin, width, 3), np.float32)
        # Doubled, row 0 lies below the middle of the first row of the halves: a row of the frame further on.
        join_doubled(change, first + margin - (top + 2 * spare) - 1, cleaned, out)
        return out

    def _at_half_size(self, rows: _Rows, scales: int) -> tuple[Floats, int]:
        """What the scales after the finest change, and rows without it above and below."""
        steps = [_Step(scale, 2 ** (scale - 1)) for scale in range(1, scales)]
        spare = reach_rows([step.spacing for step in steps])
        _, count, width = rows.planes.shape
        change = np.zeros((3, count - 2 * spare, width), np.float32)
        self._run(rows, steps, change)
        return change, spare

    def whole(self, light: Floats, more: int) -> Floats:
        """What to add to a whole frame, the full or a reduced one, for its coarse scales.

        Parameters
        ----------
        light : ndarray of shape (h, 2 h, 3), dtype float32
            Linear light.
        more : int
            Rows to give above and below.

        Returns
        -------
        ndarray of shape (3, more + h + more, 2 h), dtype float32
            Planes, which go on over the poles.
        """
        planes = parted(light, np.zeros((3, 3, 2), np.float32), 0, len(light))
        return _over_poles(self._whole(planes, 0), more)

    def _whole(self, planes: Floats, scale: int) -> Floats:
        """What to add to planes of a whole frame from a scale on; coarser scales at half its size."""
        height = planes.shape[1]
        steps = [_Step(0, 1), _Step(1, 2)] if scale == 0 else [_Step(scale, 2)]
        while steps and not has_room(height, [step.spacing for step in steps]):
            steps = steps[:-1]
        if not steps:
            return np.zeros_like(planes)
        spacings = [step.spacing for step in steps]
        margin, change = reach_rows(spacings), np.zeros_like(planes)
        rows = _Rows(_over_poles(planes, margin), -margin, height)
        scale = steps[-1].scale + 1
        began_with = planes.shape[2] * steps[-1].grid
        if height % 2 or 2**scale * self.width > COARSEST_PX * began_with:
            self._run(rows, steps, change)
            return change
        half = np.empty((3, height // 2, height), np.float32)
        self._run(rows, steps, change, half, margin - SMOOTH_REACH * sum(spacings))
        add_doubled(_over_poles(self._whole(half, scale), 1), 1, change)
        return change

    def _run(
        self,
        rows: _Rows,
        steps: Sequence[_Step],
        change: Floats,
        half: Floats | None = None,
        skip: int = 0,
        *,
        fresh: bool = False,
    ) -> None:
        """Take what goes at some scales off `change`, the middle rows, or off a copy of them if it is fresh.

        `half` takes the smooth planes that are left, at half size, from row `skip` of them on.
        """
        planes, first = rows.planes, rows.first
        for step in steps:
            is_last, is_first = step is steps[-1], step is steps[0]
            left = planes.shape[1] - 2 * SMOOTH_REACH * step.spacing
            smooth = np.empty((3, 0 if is_last else left, planes.shape[2]), np.float32)
            how = self._how(step, first, planes.shape[1:], rows.height)
            left_out, takes = (skip, half) if is_last and half is not None else (0, smooth)
            fresh_now = int(fresh and is_first)
            shrink(
                planes,
                step.spacing,
                int(step.scale == 0),
                *how,
                first % 2,
                left_out,
                fresh_now,
                takes,
                change,
            )
            planes, first = smooth, first + SMOOTH_REACH * step.spacing

    def _how(
        self, step: _Step, first: int, size: tuple[int, ...], height: int
    ) -> tuple[NDArray[np.int32], Floats, Floats, Floats]:
        """For planes of some size: columns of the step and shares by row, variance of noise, and control."""
        stretch = stretches(_pair_middles(first, size[0]), height)
        reduced_by = self.width / (size[1] * step.grid)
        shares = self._shares(step, stretch, reduced_by)
        columns = columns_of(stretch, step.spacing, size[1])
        return columns, self.variance.astype(np.float32), shares, self._control(2**step.scale * reduced_by)

    def _shares(self, step: _Step, stretch: NDArray[np.int64], reduced_by: float) -> Floats:
        """Of the variance of noise, for each row: the bands of lightness, and all detail of either colour."""
        shares = []
        for kind in range(int(stretch.max()) + 1):
            if reduced_by > 1:
                bands = self.model.coarse(step.scale, kind, reduced_by)
            else:
                bands = self.model.share(step.scale, kind)
            if step.grid > 1:
                bands = bands * np.array(halved_shares(step.spacing))[:, None]
            colours = bands[:, 1:].sum(axis=0) * white_overlap(step.scale, kind)
            shares.append([*bands[:, 0], *colours])
        return np.array(shares)[stretch].astype(np.float32)


@dataclass(frozen=True, slots=True)
class _Rows:
    """Planes of rows from `first` on of a frame `height` high."""

    planes: Floats
    first: int
    height: int


@dataclass(frozen=True, slots=True)
class _Step:
    """A scale, and the spacing of its filters."""

    scale: int
    spacing: int

    @property
    def grid(self) -> int:
        """Pixels of the frame it began with along one of this size."""
        return int(2**self.scale // self.spacing)


def _pair_middles(first: int, count: int) -> NDArray[np.float64]:
    """Where the pair lies that each row is judged in: between an even row and the next."""
    return np.arange(first, first + count) // 2 * np.float64(2) + 0.5


def _over_poles(planes: Floats, rows: int) -> Floats:
    """Planes of a whole frame with some more rows above and below, as the sphere goes on."""
    over, under = planes[:, :rows][:, ::-1], planes[:, planes.shape[1] - rows :][:, ::-1]
    half = planes.shape[2] // 2
    return np.concatenate([np.roll(over, half, axis=2), planes, np.roll(under, half, axis=2)], axis=1)


def fine_scales(height: int, reduced_height: int) -> int:
    """Scales to work on at full size: up to where the reduced frame shows all; none if it is the full one."""
    if height <= reduced_height:
        return 0
    return int(np.ceil(np.log2(height / reduced_height) + 0.3))


def fine_reach(height: int, scales: int) -> int:
    """Rows above and below that `Cleaning.fine` needs to see."""
    if height % 2 or scales <= 1:
        return reach_rows([2**scale for scale in range(scales)])
    halves = reach_rows([2 ** (scale - 1) for scale in range(1, scales)])
    return max(reach_rows([1]), 2 * halves + SMOOTH_REACH + _SPARE)


_SPARE = 3
"""Rows for a start on an even row, and for the halves that lie to both sides of a row."""


def parted(light: Floats, coarse: Floats, first: int, height: int) -> Floats:
    """Planes of rows `first` and on of a frame `height` high, with what coarse scales change added.

    `coarse` is planes of the whole frame at some size, with as many rows above as below it, so that it goes
    on over the poles as far as the rows do.
    """
    planes = np.empty((3, *light.shape[:2]), np.float32)
    pixels = np.ascontiguousarray(light)
    part_planes(pixels, coarse, *_coarse_places(light, coarse, first, height), planes)
    return planes


def _coarse_places(
    light: Floats, coarse: Floats, first: int, height: int
) -> tuple[NDArray[np.int32], Floats, NDArray[np.int32], Floats]:
    """Rows and columns of `coarse` that those of the light lie between, and shares of the second."""
    _, rows, width = coarse.shape
    spare = (rows - width // 2) // 2
    places = np.arange(first, first + len(light))
    down, down_shares = _between(places, height, rows - 2 * spare)
    along, along_shares = _between(np.arange(light.shape[1]), light.shape[1], width)
    return down + spare, down_shares, along % width, along_shares


def joined(planes: Floats) -> Floats:
    """Light of planes."""
    light = np.empty((*planes.shape[1:], 3), np.float32)
    join_planes(np.ascontiguousarray(planes), light)
    return light


def _between(places: NDArray[np.int64], count: int, coarse: int) -> tuple[NDArray[np.int32], Floats]:
    """The two coarse places that each lies between, and the share of the second."""
    at = (places + 0.5) * coarse / count - 0.5
    before = np.floor(at).astype(np.int32)
    return np.stack([before, before + 1], axis=1), (at - before).astype(np.float32)
