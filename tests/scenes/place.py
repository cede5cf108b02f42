"""Places rendered light by light, and what is known of them: `lights.npz`, `surfaces.npz`, `place.json`.

`python -m tests.scenes.places` renders them; here they are read. Nothing here asks panopipe.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Light = NDArray[np.float32]
Mask = NDArray[np.bool_]

LUMINANCE = np.array([0.2126, 0.7152, 0.0722], np.float32)
"""Of linear Rec.709 (ITU-R BT.709)."""
EXTERIOR, SUPPORT, LAMP, PAINT, FLOOR, RUG, WALL, THING, MIRROR, CEILING = range(10)
GREY_CARD, WHITE_CARD = 20, 40
"""The first of the labels that 18 % and 90 % cards bear; all neutral paint, ceilings too, is PAINT, a CEILING
is of another colour, and a WALL or a THING may have any."""
MIDDLE = 0.10
"""Where the room's median luminance lies in the file, white being 1; common practice, no source."""


@dataclass(frozen=True)
class Place:
    """One rendered place.

    Attributes
    ----------
    name : str
        Its folder.
    lights : dict of str to ndarray of shape (H, W, 3), dtype float32
        Linear Rec.709, by light; their sum is what a camera sees.
    labels : ndarray of shape (H, W), dtype uint8
        What is seen at a pixel.
    reflectance : ndarray of shape (H, W, 3), dtype float32
        Diffuse reflectance, linear Rec.709.
    facts : dict
        The place's table: `lights` (kind, kelvin, rgb at luminance 1), `cards`, `note`, `kind`.
    """

    name: str
    lights: dict[str, Light]
    labels: NDArray[np.uint8]
    reflectance: Light
    facts: dict[str, Any]

    @cached_property
    def mixed(self) -> Light:
        """What a camera sees: all lights."""
        return np.sum(list(self.lights.values()), 0, dtype=np.float32)

    @cached_property
    def true_white(self) -> Light:
        """The place under the same lights, each made neutral at its luminance."""
        rgb = {name: np.array(told["rgb"], np.float32) for name, told in self.facts["lights"].items()}
        return np.sum([light / rgb[name] for name, light in self.lights.items()], 0, dtype=np.float32)

    @cached_property
    def daylight_share(self) -> Light:
        """Share of daylight in the luminance of the light that falls there, of shape (H, W)."""
        day = [name for name, told in self.facts["lights"].items() if told["kind"] != "lamp"]
        light = np.sum([self.lights[name] @ LUMINANCE for name in day if name in self.lights], 0)
        return np.asarray(light / np.maximum(self.mixed @ LUMINANCE, 1e-9), np.float32)

    @cached_property
    def exterior(self) -> Mask:
        """What is seen through openings."""
        return np.asarray(self.labels == EXTERIOR)

    @cached_property
    def white_level(self) -> float:
        """Luminance that the file calls white (1 after BaselineExposure): ten times the room's median."""
        inside = ~np.isin(self.labels, (EXTERIOR, LAMP, SUPPORT))
        rows = np.cos(np.pi * ((np.arange(len(self.labels)) + 0.5) / len(self.labels) - 0.5))
        weight = np.broadcast_to(rows[:, None], inside.shape)[inside]
        luminance = (self.mixed @ LUMINANCE)[inside]
        order = np.argsort(luminance)
        heaped = np.cumsum(weight[order])
        return float(luminance[order[np.searchsorted(heaped, heaped[-1] / 2)]]) / MIDDLE

    def cards(self) -> dict[int, Mask]:
        """Every card that is large enough to be measured, by label, its rim left out."""
        found = {}
        for number in range(GREY_CARD, int(self.labels.max()) + 1):
            mask = self.labels == number
            for shift, axis in ((1, 0), (-1, 0), (1, 1), (-1, 1)):
                mask = mask & np.roll(self.labels == number, shift, axis)
            if mask.sum() >= 6:
                found[number] = mask
        return found


def read_place(folder: Path) -> Place:
    """Read a rendered place.

    Raises
    ------
    OSError
        If a file is missing.
    """
    with np.load(folder / "lights.npz") as file:
        lights = {name: file[name].astype(np.float32) for name in file.files}
    with np.load(folder / "surfaces.npz") as file:
        labels, reflectance = file["labels"], file["reflectance"].astype(np.float32)
    facts = json.loads((folder / "place.json").read_text(encoding="utf-8"))
    return Place(folder.name, lights, labels, reflectance, facts)


def write_place(folder: Path, place: Place) -> None:
    """Write a place's files; light as half floats."""
    folder.mkdir(parents=True, exist_ok=True)
    halves = {name: np.clip(light, 0, 65_000).astype(np.float16) for name, light in place.lights.items()}
    np.savez_compressed(folder / "lights.npz", **halves)  # type: ignore[arg-type]
    reflectance = place.reflectance.clip(0, 1).astype(np.float16)
    np.savez_compressed(folder / "surfaces.npz", labels=place.labels, reflectance=reflectance)
    (folder / "place.json").write_text(json.dumps(place.facts, indent=1) + "\n", encoding="utf-8")
