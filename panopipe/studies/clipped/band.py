"""The light to add to a band of rows: where planes saturate, and at the edge of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.compiled import compiled
from panopipe.pixels.matrix import as_compiled
from panopipe.studies.clipped import rebuild
from panopipe.studies.clipped.edge import REACH, SIDED, TINT_OFF, Samples, edge_gain, held_to_line
from panopipe.studies.clipped.rebuild import SATURATED, TRUSTED, Floats, Lights, rebuilt_gain
from panopipe.studies.clipped.surroundings import Surroundings, read_map

MARGIN = 4
"""Rows that a band must bring along on either side."""
CONSTANTS = np.array(
    [
        TRUSTED,
        SATURATED,
        rebuild.WHITENS_FROM,
        rebuild.DARKEST,
        rebuild.TINT_WEIGHT,
        rebuild.WARMTH_WEIGHT,
        rebuild.LEVEL_WEIGHT,
        SIDED,
        TINT_OFF,
    ]
)
"""What the definitions find where it is reasoned, and the compiled form is handed."""
_PAD = 5
"""Columns by which the definitions continue rows around the sides; an edge asks for three."""

DOUBTED, FULL, EDGE = 1, 2, 4
"""Marks of a pixel: some plane is above what is trusted; all are saturated; it may be a mixture, since one of
those lies within reach and it is none itself."""

Marks = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Rebuilder:
    """All that is needed to rebuild any band of one frame.

    Attributes
    ----------
    black, white : ndarray of shape (3,), dtype float64
        Sample values of no light and of saturation.
    lights : Lights
        The frame's lights.
    surroundings : Surroundings
        What the frame told of them.
    anchor : int
        Column of the samples at which the surroundings' map starts.
    """

    black: Floats
    white: Floats
    lights: Lights
    surroundings: Surroundings
    anchor: int

    def gain(self, samples: Samples, first: int) -> tuple[NDArray[np.int32], Floats]:
        """Find saturated pixels and their edges in a band, and what their samples lack.

        Parameters
        ----------
        samples : ndarray of shape (n + 2 MARGIN, width, 3)
            Samples as the file holds them: rows of a whole frame with `MARGIN` more on either side.
        first : int
            Row of the frame that `samples[MARGIN]` is.

        Returns
        -------
        places : ndarray of shape (m,), dtype int32
            Pixels, ``row * width + column``, rows counted in the band of n rows, columns as in the file;
            each pixel at most once, ascending.
        gain : ndarray of shape (m, 3), dtype float64
            What to add, as a share of the white level; below 0 only for green at an edge.
        """
        samples = as_compiled(samples)
        marks = np.empty(samples.shape[:2], np.uint8)
        parts = np.array([[TRUSTED], [SATURATED]])
        thresholds = (self.black + parts * (self.white - self.black)).astype(np.float32)
        count = _mark(samples, thresholds, MARGIN, REACH, marks)
        places, gain = np.empty(count, np.int32), np.empty((count, 3))
        if count:
            lights, around = self.lights, self.surroundings.warmth_tint
            levels = np.stack([self.black, 1 / (self.white - self.black), lights.neutral])
            numbers = (MARGIN, REACH, first, self.anchor, lights.share_of_red, lights.highest)
            _lacking(samples, marks, levels, around, CONSTANTS, *numbers, places, gain)
        return places, gain


@compiled("mark")
def _mark(samples: Samples, thresholds: NDArray[np.float32], margin: int, reach: int, marks: Marks) -> int:
    """Mark the pixels of a band; how many inner ones lack something, 0 at once where none is doubted.

    `thresholds` (2, 3): samples above the first are doubted, from the second on saturated.
    """
    values = samples.astype(np.float32)
    doubted, full = (values > thresholds[0]).any(axis=2), (values >= thresholds[1]).all(axis=2)
    marks[:] = DOUBTED * doubted + FULL * full
    edge = (_near(doubted, reach) & ~doubted) | (_near(full, reach) & ~full)
    inner = slice(margin, len(marks) - margin)
    marks[inner] += np.uint8(EDGE) * edge[inner]
    return int(np.count_nonzero(marks[inner] & (DOUBTED | EDGE)))


def _near(mask: NDArray[np.bool_], reach: int) -> NDArray[np.bool_]:
    """Whether any pixel within reach is set, the own one too; around the sides, not beyond the rows."""
    near = np.zeros_like(mask)
    for right in range(-reach, reach + 1):
        turned = np.roll(mask, right, axis=1)
        for down in range(reach + 1):
            near[down:] |= turned[: len(mask) - down]
            near[: len(mask) - down] |= turned[down:]
    return near


@compiled("lacking")
def _lacking(  # noqa: PLR0913, PLR0917 - what the kernel is handed at once
    samples: Samples,
    marks: Marks,
    levels: Floats,
    warmth_tint: Floats,
    constants: Floats,
    margin: int,
    reach: int,
    first: int,
    anchor: int,
    share_of_red: float,
    highest: float,
    places: NDArray[np.int32],
    gain: Floats,
) -> int:
    """Give the inner marked pixels in order and what they lack; how many they are.

    `levels` (3, 3): black, one by white less black, neutral; `constants`: as in `CONSTANTS`, for the
    compiled form alone.
    """
    marks, share = _continued(marks), _continued((samples - levels[0]) * levels[1])
    height, width = marks.shape
    doubted = (marks & DOUBTED) > 0
    doubted[: margin - reach] = doubted[height - margin + reach :] = False  # edges ask for none of these
    lacks = np.zeros(share.shape)
    lacks[doubted] = np.maximum(highest * levels[2] - share[doubted], 0)
    rows, columns = np.nonzero(doubted & ((marks & FULL) == 0))

    def around(rows: NDArray[np.intp], columns: NDArray[np.intp]) -> tuple[Floats, Floats]:
        turned = (columns - _PAD - anchor) % samples.shape[1]
        return read_map(warmth_tint, rows - margin + first, turned, samples.shape[1])

    lacks[rows, columns] = rebuilt_gain(
        share[rows, columns], *around(rows, columns), levels[2], share_of_red=share_of_red, highest=highest
    )
    inner = np.zeros(marks.shape, np.bool_)
    inner[margin:-margin, _PAD:-_PAD] = True
    edge = np.flatnonzero(inner & ((marks & EDGE) > 0))
    tint = around(*np.divmod(edge, width))[1]
    lacks.reshape(-1, 3)[edge] = _at_edges(share, marks, edge, lacks, tint, Lights(levels[2], share_of_red))
    rows, columns = np.nonzero(inner & ((marks & (DOUBTED | EDGE)) > 0))
    places[:], gain[:] = (rows - margin) * samples.shape[1] + columns - _PAD, lacks[rows, columns]
    return len(places)


def _at_edges(
    share: Floats, marks: Marks, edge: NDArray[np.intp], lacks: Floats, tint: Floats, lights: Lights
) -> Floats:
    """What pixels lack that may be mixtures, where `lacks` says what each lacks by itself."""
    shares, alone = share.reshape(-1, 3), lacks.reshape(-1, 3)
    index = np.where((marks & DOUBTED) > 0, np.arange(marks.size).reshape(marks.shape), -1)
    mixed, window = edge_gain(shares, marks.shape[1], index.ravel(), edge, alone)
    return held_to_line(shares[edge], alone[edge], np.maximum(alone[edge], mixed), window, tint, lights)


def _continued(rows: NDArray[Any]) -> NDArray[Any]:
    return np.concatenate([rows[:, -_PAD:], rows, rows[:, :_PAD]], axis=1)
