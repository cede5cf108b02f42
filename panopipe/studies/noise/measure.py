"""How much a frame's finest structure varies where it varies least: what its noise is told by.

Groups of rows at several pitches are parted as the denoising parts them. In blocks of like light the energy
of each band is taken, and of many blocks the eighth part with the least tells the noise: of these, few hold
structure.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from panopipe.frame import NoiseFacts
from panopipe.pixels.bands import BLOCK, band_energies
from panopipe.pixels.opponent import OPPONENT_OF_LIGHT
from panopipe.pixels.shrink import SMOOTH_REACH
from panopipe.sphere.geometry import row_of_pitch
from panopipe.studies.noise.scales import columns_of, stretches

Floats = NDArray[np.float32]

STRETCHES = 4
"""Rows of more stretch lie beyond 85 degrees of pitch and are taken to be like those before them."""
SCALES = 2
LIGHT_BINS = 12
"""Bins of one EV, the highest up to saturation."""
CORE_ROWS = 2 * BLOCK
MARGIN = SMOOTH_REACH * (2**SCALES - 1)
EDGE_CONTRAST = 0.03
"""Of a block as a whole against its light, from which it holds a strong edge: one of 1 EV and more."""
FEWEST = 12
"""Blocks of a bin that tell anything."""
LEAST_PART = 0.125
PITCHES_DEG = (82.0, 73.0, 59.0, 50.0, 32.0, 14.0, -4.0, -22.0, -38.0, -54.0, -70.0, -80.0)
MOST_COLUMNS = 1536
"""Columns looked at in each group: a fourth of a large frame's."""
SATURATED = 0.9
"""Share of the white level above which a block tells nothing: what is cut off there has no noise."""


def is_sound(noise: NoiseFacts) -> bool:
    """Whether it can be what a `Gatherer` found: it may come from a job folder that a stranger made."""
    shapes = {
        "energy": (STRETCHES, SCALES, 3, 3, LIGHT_BINS),
        "light": (STRETCHES, LIGHT_BINS, 3),
        "light_from_samples": (3, 3),
    }
    arrays = [(getattr(noise, name), shape) for name, shape in shapes.items()]
    if noise.profile is not None:
        arrays.append((noise.profile, (3, 2)))
    is_number = isinstance(noise.width, int) and isinstance(noise.edge_ratio, float)
    return is_number and all(
        isinstance(array, np.ndarray) and array.shape == shape and bool(np.all(np.abs(array) < _BEYOND))
        for array, shape in arrays
    )


_BEYOND = 1e6


def groups_of_rows(height: int) -> list[tuple[int, int]]:
    """Rows to look at, from the top: first and one past the last of each group."""
    rows = min(CORE_ROWS + 2 * MARGIN, height)
    firsts = (round(row_of_pitch(pitch, height)) - rows // 2 for pitch in PITCHES_DEG)
    return [(first, first + rows) for first in (min(max(first, 0), height - rows) for first in firsts)]


class Gatherer:
    """Takes groups of rows of one frame, one after another.

    Parameters
    ----------
    height : int
        Rows of the frame.
    light_from_samples : ndarray of shape (3, 3), dtype float64
        Samples to linear light.
    """

    def __init__(self, height: int, light_from_samples: NDArray[np.float64]) -> None:
        self._height, self._light_from_samples = height, light_from_samples
        self._matrix = (OPPONENT_OF_LIGHT @ light_from_samples).astype(np.float32)
        self._found: list[tuple[NDArray[np.int64], Floats, Floats]] = []

    def take(self, share: Floats, first: int, cut: NDArray[np.bool_]) -> None:
        """Take rows from `first` on.

        Parameters
        ----------
        share : ndarray of shape (n, columns, 3), dtype float32
            Samples less black, 1 at saturation.
        first : int
            Row of the frame that comes first.
        cut : ndarray of shape (n, columns), dtype bool
            Where samples are cut off, so that noise cannot be seen whole.
        """
        if len(share) < BLOCK + 2 * MARGIN:
            return
        planes = np.ascontiguousarray(np.moveaxis(share @ self._matrix.T, -1, 0))
        stretch = stretches(np.arange(first, first + len(share)), self._height)
        columns = 1 << stretch.astype(np.int32)
        energies = []
        for scale in range(SCALES):
            planes, energy = _parted(planes, 2**scale, columns << scale)
            columns = columns[SMOOTH_REACH * 2**scale : -SMOOTH_REACH * 2**scale]
            energies.append(energy)
        inner_rows = slice(MARGIN, len(share) - MARGIN)
        usable = np.asarray(~_parts(cut[inner_rows]).any(axis=(1, 3)))
        usable[:, :3] = usable[:, -3:] = False  # where the picked columns do not go on as they seem to
        at_block = stretch[inner_rows][BLOCK // 2 :: BLOCK][: usable.shape[0], None]
        at_block = np.broadcast_to(np.minimum(at_block, STRETCHES - 1), usable.shape)
        light = _means(share[inner_rows])
        self._found.append((at_block[usable], np.stack(energies, 2)[usable], light[usable]))

    def result(self, profile: NDArray[np.float64] | None = None) -> NoiseFacts:
        """Return what all that was taken tells, with what the file tells."""
        energy = np.zeros((STRETCHES, SCALES, 3, 3, LIGHT_BINS), np.float32)
        light = np.zeros((STRETCHES, LIGHT_BINS, 3), np.float32)
        if not self._found:
            return self._facts(energy, light, profile)
        stretch, energies, lights = (np.concatenate(part) for part in zip(*self._found, strict=True))
        brightness = np.log2(np.maximum(lights.mean(axis=-1), 1e-9))
        bins = np.clip(LIGHT_BINS + np.floor(brightness), 0, LIGHT_BINS - 1).astype(int)
        for at in range(STRETCHES):
            for number in range(LIGHT_BINS):
                here = (stretch == at) & (bins == number)
                if np.count_nonzero(here) < FEWEST:
                    continue
                light[at, number] = lights[here].mean(axis=0)
                energy[at, ..., number] = np.quantile(energies[here], LEAST_PART, axis=0)
        return self._facts(energy, light, profile, edge_ratio(stretch, energies, lights))

    def _facts(
        self, energy: Floats, light: Floats, profile: NDArray[np.float64] | None, ratio: float = 0.0
    ) -> NoiseFacts:
        return NoiseFacts(energy, light, self._light_from_samples, 2 * self._height, profile, ratio)


def edge_ratio(stretch: NDArray[np.int64], energies: Floats, lights: Floats) -> float:
    """Energy of the finest scale over that of the next, in blocks with the strongest edges near the horizon.

    Of these the sharper fourth counts: a soft one may be the scene's own. 0 where too few stand out.
    """
    fine, next_to = (energies[:, scale, :, 0].sum(axis=-1) for scale in range(SCALES))
    contrast = np.sqrt(next_to) / np.maximum(lights.sum(axis=-1), 1e-6)
    strong = (stretch == 0) & (contrast > EDGE_CONTRAST)
    if np.count_nonzero(strong) < FEWEST:
        return 0.0
    return float(np.quantile(fine[strong] / next_to[strong], 0.75))


def _parted(planes: Floats, spacing: int, columns: NDArray[np.int32]) -> tuple[Floats, Floats]:
    """Smooth planes, the outermost rows left out; energies (down, across, 3 bands, 3 planes) by block."""
    columns = np.minimum(columns, columns_of(np.array([30]), 1, planes.shape[2])[0])
    rows, width = planes.shape[1] - 2 * SMOOTH_REACH * spacing, planes.shape[2]
    smooth = np.empty((3, rows, width), np.float32)
    first = MARGIN - SMOOTH_REACH * (2 * spacing - 1)  # what is left of the margin after the scales so far
    energies = np.empty((9, (rows - 2 * first) // BLOCK, width // BLOCK), np.float32)
    band_energies(np.ascontiguousarray(planes), spacing, int(spacing == 1), first, columns, smooth, energies)
    return smooth, energies.reshape(3, 3, *energies.shape[1:]).transpose(2, 3, 1, 0)


def _parts(values: NDArray[Any]) -> NDArray[Any]:
    """Blocks of pixels (down, BLOCK, across, BLOCK, ...); what is left over at the ends is left out."""
    rows, columns = (side // BLOCK for side in values.shape[:2])
    return values[: rows * BLOCK, : columns * BLOCK].reshape(rows, BLOCK, columns, BLOCK, *values.shape[2:])


def _means(values: Floats) -> Floats:
    """Means over blocks of pixels of several planes, added up pixel by pixel."""
    pixels = _parts(values).transpose(1, 3, 0, 2, 4)
    total = pixels.reshape(BLOCK**2, *pixels.shape[2:]).sum(axis=0)  # whole rows of blocks at a time
    return np.asarray(total / np.float32(BLOCK**2))
