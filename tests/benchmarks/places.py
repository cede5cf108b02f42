"""Places whose light is known lamp by lamp: the truth for a white that changes from place to place.

A folder a place: `lights.npz` holds each light's part of the picture (linear Rec.709; their sum is what the
camera saw), `surfaces.npz` the labels of the surfaces, `place.json` the colours of the lights. Each part
divided by its light's colour at luminance 1, and added up, is the place under neutral lights: true white.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.makers.camera import LAMPS_AND_DAY, Sensor, shoot
from tests.makers.dng import Shot

Array = NDArray[np.float64]
Cells = NDArray[np.bool_]

OUTSIDE, SUPPORT, LAMP, PAINT, FLOOR, RUG, WALL, THING, MIRROR, FIRST_CARD = 0, 1, 2, 3, 4, 5, 6, 7, 8, 20
"""Labels of the surfaces."""
LUMINANCE_709 = np.array([0.2126, 0.7152, 0.0722])
"""ITU-R BT.709-6, item 3.2."""
SENSORS = {"clean": Sensor(), "small": Sensor(full_well_e=36_000.0, read_noise_e=6.0)}
"""The sample job's camera, and one whose photosites hold a seventh."""


@dataclass(frozen=True)
class Place:
    """A place and its truth.

    Attributes
    ----------
    name, kind : str
        Its folder, and what sort of place it is: "white" (white walls), "coloured", ...
    recorded, true_white : ndarray of shape (height, width, 3)
        Linear Rec.709 as the camera sees it, and under neutral lights.
    labels : ndarray of shape (height, width), dtype uint8
        Surfaces.
    lights : mapping of str to mapping
        Colours of the lights.
    """

    name: str
    kind: str
    recorded: Array
    true_white: Array
    labels: NDArray[np.uint8]
    lights: Mapping[str, Any]

    @property
    def cards(self) -> list[Cells]:
        """Where each grey card is seen, its rim left out."""
        found = [eroded(self.labels == label) for label in range(FIRST_CARD, int(self.labels.max()) + 1)]
        return [card for card in found if card.sum() >= 12]


def places(folder: Path) -> Iterator[Place]:
    """All places below a folder, by name."""
    for path in sorted(folder.glob("*/lights.npz")):
        facts = json.loads((path.parent / "place.json").read_text())
        with np.load(path) as parts, np.load(path.parent / "surfaces.npz") as surfaces:
            light = {name: parts[name].astype(np.float64) for name in parts.files}
            labels = surfaces["labels"]
        colour = {name: np.array(one["rgb"], np.float64) for name, one in facts["lights"].items()}
        neutral = [part / colour.get(name, np.ones(3)) for name, part in light.items()]
        recorded = sum(light.values())
        yield Place(path.parent.name, str(facts["kind"]), recorded, sum(neutral), labels, facts["lights"])  # type: ignore[arg-type]


def eroded(cells: Cells) -> Cells:
    """Cells whose four neighbours are cells too; around the sides."""
    inner = cells & np.roll(cells, 1, axis=1) & np.roll(cells, -1, axis=1)
    inner[1:] &= cells[:-1]
    inner[:-1] &= cells[1:]
    return inner


def photograph(place: Place, path: Path, *, sensor: str, headroom_ev: float, seed: int) -> Path:
    """Photograph a place into a linear DNG that clips `headroom_ev` above the middle of its light.

    3.5 is one exposure, 7 a merged bracket.
    """
    height = len(place.recorded)
    weight = np.cos((np.arange(height) + 0.5) / height * np.pi - np.pi / 2)
    luminance = place.recorded @ LUMINANCE_709
    order = np.argsort(luminance, axis=None)
    running = np.cumsum(np.repeat(weight, luminance.shape[1])[order])
    middle = float(luminance.ravel()[order][np.searchsorted(running, running[-1] / 2)])
    return shoot(
        path,
        place.recorded,
        saturation=middle * 2.0**headroom_ev,
        baseline_ev=0.0,
        seed=seed,
        shot=Shot(),
        sensor=SENSORS[sensor],
        white=LAMPS_AND_DAY,
    )
