"""Rooms of every kind of light for the tone benchmark, each with an 18 % card hung in its light."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tests.scenes import house as parts
from tests.scenes.camera import expose
from tests.scenes.raycast import House, Lamp, Material, Opening, Outdoors, Patch, Point, Room, render
from tests.scenes.spectra import daylight, halogen, led, surface
from tests.scenes.textures import tiles

Rows = NDArray[np.float32]

GREY_CARD = Material(surface(0.18, 0.18, 0.18))
DARK_WALL = Material(surface(0.20, 0.24, 0.22))
WHITE_TILES = Material(surface(0.78, 0.79, 0.79), surface(0.45, 0.45, 0.44), tiles)


@dataclass(frozen=True)
class Scene:
    """A frame as recorded, and where its grey cards are seen.

    Attributes
    ----------
    name : str
        What kind of place it is.
    rows : ndarray of shape (height, width, 3), dtype float32
        Linear light in the working space, clipped at 1 as a sensor does.
    cards : tuple of ndarray of bool
        Masks of the 18 % cards; empty if there is no card.
    """

    name: str
    rows: Rows
    cards: tuple[NDArray[np.bool_], ...] = ()


def kept_scene(name: str, width: int, folder: Path | None) -> Scene:
    """One of the generated scenes, read from a folder if it was rendered before."""
    if folder is None:
        return photographed(name, width)
    path = folder / f"{name}-{width}.npz"
    if not path.exists():
        scene = photographed(name, width)
        folder.mkdir(parents=True, exist_ok=True)
        np.savez(path, *scene.cards, rows=scene.rows)
    with np.load(path) as kept:
        cards = tuple(kept[key] for key in sorted(kept.files) if key != "rows")
        return Scene(name, kept["rows"], cards)


def photographed(name: str, width: int) -> Scene:
    """One of the generated scenes, `width` pixels wide, a little of it clipped."""
    picture = render(*PLACES[name](), width)
    cards = tuple(mask for mask in picture.cards.values() if mask.any())
    return Scene(name, recorded(picture.rows, clipped_share=0.004), cards)


def recorded(radiance: Rows, *, clipped_share: float, seed: int | None = 5) -> Rows:
    """Expose so that `clipped_share` of the picture is clipped, with the noise of a small sensor."""
    top = float(np.quantile(radiance.max(axis=-1), 1 - clipped_share))
    return expose(radiance / np.float32(top), seed=seed)


def _card(face: int, at: tuple[float, float], name: str) -> Patch:
    return Patch(face, at, (at[0] + 0.3, at[1] + 0.3), GREY_CARD, name)


def _bright_kitchen() -> tuple[House, Point]:
    room = Room(
        low=(0, 0, 0),
        high=(4.5, 2.6, 4),
        floor=parts.GREY_TILES,
        walls=parts.WHITE_PAINT,
        ceiling=parts.WHITE_PAINT,
        trim=parts.GLOSS_TRIM,
        boxes=parts.table((2.4, 0, 2.4)) + parts.shelf((0.4, 0, 0.0), seed=12),
        openings=(Opening(1, (0.6, 0.8), (3.2, 2.3)), Opening(5, (2.4, 0.0), (3.5, 2.2))),
        patches=(_card(0, (2.2, 1.3), "a"), _card(4, (2.4, 1.4), "b")),
    )
    return House((room,), Outdoors(sky_radiance=14, sun_illuminance=40)), (2.0, 1.5, 1.9)


def _evening_lounge() -> tuple[House, Point]:
    lamps = (
        Lamp((1.0, 1.5, 0.7), halogen(2700), 0.5),
        Lamp((4.6, 1.6, 4.4), halogen(2700), 0.6),
        Lamp((3.0, 2.3, 2.6), led(2700), 0.35, 0.14),
    )
    room = Room(
        low=(0, 0, 0),
        high=(5.6, 2.7, 5),
        floor=parts.OAK,
        walls=DARK_WALL,
        ceiling=parts.WARM_WHITE,
        trim=parts.DARK_WOOD,
        boxes=parts.sofa((1.8, 0, 0.2)) + parts.table((2.2, 0, 3.6)) + parts.shelf((0.2, 0, 4.6), seed=21),
        lamps=lamps,
        openings=(Opening(1, (1.4, 0.9), (3.2, 2.2)),),
        patches=(
            Patch(5, (2.2, 1.2), (3.3, 1.9), parts.picture_of(17)),
            _card(0, (2.2, 1.3), "a"),
            _card(4, (4.4, 1.4), "b"),
        ),
    )
    dusk = Outdoors(sky_radiance=0.5, sun_illuminance=0.0, zenith=daylight(15000), horizon=daylight(8000))
    return House((room,), dusk), (2.9, 1.5, 2.3)


def _windowless_bathroom() -> tuple[House, Point]:
    room = Room(
        low=(0, 0, 0),
        high=(2.4, 2.4, 2.8),
        floor=parts.GREY_TILES,
        walls=WHITE_TILES,
        ceiling=parts.WHITE_PAINT,
        trim=parts.GLOSS_TRIM,
        boxes=parts.shelf((0.1, 0, 0.1), seed=33),
        lamps=(Lamp((1.2, 2.2, 0.6), led(4000), 0.8, 0.12),),
        patches=(_card(0, (1.4, 1.3), "a"), _card(5, (1.5, 1.3), "b")),
    )
    return House((room,)), (1.3, 1.5, 1.6)


def _club_hall() -> tuple[House, Point]:
    lamps = tuple(Lamp((x, 4.2, z), led(3000), 3.0, 0.16) for x in (2.5, 6, 9.5) for z in (2.0, 6.0))
    windows = tuple(Opening(1, (z, 1.2), (z + 1.4, 3.6)) for z in (0.8, 3.2, 5.6))
    room = Room(
        low=(0, 0, 0),
        high=(12, 4.8, 8),
        floor=parts.OAK,
        walls=parts.WARM_WHITE,
        ceiling=parts.DARK_WOOD,
        trim=parts.DARK_WOOD,
        boxes=tuple(b for x in (1.5, 4.5, 7.5) for b in parts.table((x, 0, 5.4)))
        + parts.sofa((5.0, 0, 0.3), cloth=parts.GREEN_CLOTH)
        + parts.shelf((0.5, 0, 0.0), seed=41),
        lamps=lamps,
        openings=windows,
        patches=(
            Patch(5, (5.0, 1.4), (7.0, 2.6), parts.picture_of(43)),
            _card(0, (3.6, 1.4), "a"),
            _card(4, (8.2, 1.4), "b"),
        ),
    )
    return House((room,), Outdoors(sky_radiance=25, sun_illuminance=70)), (5.6, 1.5, 3.4)


def _bedroom() -> tuple[House, Point]:
    room = Room(
        low=(0, 0, 0),
        high=(4, 2.5, 3.6),
        floor=parts.BLUE_CARPET,
        walls=parts.WARM_WHITE,
        ceiling=parts.WHITE_PAINT,
        trim=parts.GLOSS_TRIM,
        boxes=parts.bed((2.3, 0, 0.6), cover=parts.GREEN_CLOTH) + parts.table((0.2, 0, 2.7)),
        lamps=(Lamp((3.7, 1.0, 0.3), halogen(2700), 0.12),),
        openings=(Opening(1, (1.2, 1.0), (2.2, 2.0)),),
        patches=(
            Patch(4, (2.6, 1.2), (3.4, 1.8), parts.picture_of(52)),
            _card(0, (2.6, 1.3), "a"),
            _card(5, (1.4, 1.3), "b"),
        ),
    )
    return House((room,), Outdoors(sky_radiance=40, sun_illuminance=120)), (1.9, 1.5, 1.8)


def _deck() -> tuple[House, Point]:
    deck = Room(
        low=(0, 0, 0),
        high=(6, 3, 3.5),
        floor=replace(parts.OAK, reflectance=surface(0.33, 0.30, 0.26)),
        walls=parts.WARM_WHITE,
        ceiling=parts.WARM_WHITE,
        trim=parts.GLOSS_TRIM,
        boxes=parts.table((3.6, 0, 1.6)),
        openings=(
            Opening(1, (0.1, 0.0), (3.4, 2.9)),
            Opening(0, (0.1, 0.9), (3.4, 2.9)),
            Opening(5, (0.1, 0.0), (5.9, 2.9)),
            Opening(4, (1.2, 0.1), (2.3, 2.2), to=1),
        ),
        patches=(_card(4, (3.4, 1.3), "a"),),
    )
    inside = Room(
        low=(0, 0, -4),
        high=(6, 2.6, -0.001),
        floor=parts.OAK,
        walls=DARK_WALL,
        ceiling=parts.WARM_WHITE,
        trim=parts.GLOSS_TRIM,
        boxes=parts.sofa((1.0, 0, -3.8)),
        lamps=(Lamp((3.0, 2.2, -2.0), halogen(2900), 0.4),),
    )
    return House((deck, inside), Outdoors(sun_direction_deg=(40.0, 30.0))), (2.6, 1.5, 1.9)


PLACES: dict[str, Callable[[], tuple[House, Point]]] = {
    "bright kitchen": _bright_kitchen,
    "evening lounge": _evening_lounge,
    "windowless bathroom": _windowless_bathroom,
    "club hall": _club_hall,
    "bedroom": _bedroom,
    "deck": _deck,
}
