"""Furnished rooms for the ray-caster: a small room for quick tests, and parts that houses are made of."""

from __future__ import annotations

from collections.abc import Sequence

from tests.scenes.raycast import Box, House, Lamp, Material, Opening, Outdoors, Patch, Room
from tests.scenes.spectra import Spectrum, daylight, halogen, surface
from tests.scenes.textures import carpet, painting, planks, tiles, woven

WHITE_PAINT = Material(surface(0.86, 0.86, 0.85))
WARM_WHITE = Material(surface(0.82, 0.79, 0.73))
GLOSS_TRIM = Material(surface(0.83, 0.83, 0.82))
LINEN = Material(surface(0.80, 0.80, 0.80))
CARD = Material(surface(0.5, 0.5, 0.5))
OAK = Material(surface(0.46, 0.30, 0.16), surface(0.36, 0.22, 0.11), planks)
GREY_TILES = Material(surface(0.42, 0.41, 0.40), surface(0.65, 0.64, 0.62), tiles)
BLUE_CARPET = Material(surface(0.16, 0.20, 0.30), surface(0.22, 0.22, 0.30), carpet)
DARK_WOOD = Material(surface(0.17, 0.10, 0.06))
CLOTH = Material(surface(0.40, 0.18, 0.14), surface(0.62, 0.55, 0.42), woven)
GREEN_CLOTH = Material(surface(0.16, 0.26, 0.18), surface(0.24, 0.32, 0.24), woven)


def small_room(*, lamp: Spectrum | None = None, lamp_intensity: float = 1.1, window: bool = True) -> House:
    """One furnished room, 5 x 4 x 2.6 m, with a lamp, a window, a painting and two grey cards.

    Parameters
    ----------
    lamp : ndarray or None
        Spectrum of the lamp; a 2900 K glowing wire if None.
    lamp_intensity : float
        0 switches it off.
    window : bool
        Whether there is a window.

    Returns
    -------
    House
        Stand the camera near (2.5, 1.5, 2.0).
    """
    spectrum = halogen(2900) if lamp is None else lamp
    lamps = (Lamp((1.2, 2.1, 1.0), spectrum, lamp_intensity),) if lamp_intensity > 0 else ()
    room = Room(
        low=(0, 0, 0),
        high=(5, 2.6, 4),
        floor=OAK,
        walls=WARM_WHITE,
        ceiling=WHITE_PAINT,
        trim=GLOSS_TRIM,
        boxes=bed((3.2, 0, 0.3)) + table((0.5, 0, 2.6)),
        lamps=lamps,
        openings=(Opening(1, (1.2, 0.9), (2.8, 2.2)),) if window else (),
        patches=(
            Patch(5, (2.0, 1.1), (3.0, 1.8), picture_of(31)),
            Patch(5, (1.5, 1.2), (1.7, 1.4), CARD, "back"),
            Patch(0, (2.2, 1.2), (2.4, 1.4), CARD, "left"),
        ),
    )
    return House((room,), Outdoors())


def picture_of(seed: int) -> Material:
    """A painting for a wall; every seed has its own blots and its own pair of colours."""
    pairs = (
        (surface(0.62, 0.50, 0.35), surface(0.12, 0.20, 0.42)),
        (surface(0.55, 0.58, 0.60), surface(0.50, 0.16, 0.10)),
        (surface(0.66, 0.62, 0.52), surface(0.10, 0.28, 0.20)),
        (surface(0.40, 0.44, 0.56), surface(0.60, 0.42, 0.12)),
    )
    first, second = pairs[seed % len(pairs)]
    return Material(first, second, painting(seed))


def bed(at: tuple[float, float, float], *, cover: Material = LINEN) -> tuple[Box, ...]:
    """A bed of 1.6 x 2 m with white linen on a dark base."""
    x, y, z = at
    return (
        Box((x, y, z), (x + 1.6, y + 0.3, z + 2.0), DARK_WOOD),
        Box((x, y + 0.3, z), (x + 1.6, y + 0.55, z + 2.0), cover),
        Box((x + 0.15, y + 0.55, z + 0.05), (x + 0.7, y + 0.68, z + 0.45), LINEN),
    )


def table(at: tuple[float, float, float]) -> tuple[Box, ...]:
    """A table of 1.2 x 0.8 m with a vase-like block on it."""
    x, y, z = at
    return (
        Box((x, y + 0.70, z), (x + 1.2, y + 0.74, z + 0.8), DARK_WOOD),
        Box((x + 0.05, y, z + 0.05), (x + 0.12, y + 0.7, z + 0.12), DARK_WOOD),
        Box((x + 1.08, y, z + 0.68), (x + 1.15, y + 0.7, z + 0.75), DARK_WOOD),
        Box((x + 0.5, y + 0.74, z + 0.3), (x + 0.7, y + 1.0, z + 0.5), CLOTH),
    )


def sofa(at: tuple[float, float, float], *, cloth: Material = CLOTH) -> tuple[Box, ...]:
    """A sofa 2 m long."""
    x, y, z = at
    return (
        Box((x, y, z), (x + 2.0, y + 0.42, z + 0.85), cloth),
        Box((x, y + 0.42, z), (x + 2.0, y + 0.85, z + 0.22), cloth),
    )


def shelf(at: tuple[float, float, float], *, seed: int) -> tuple[Box, ...]:
    """A shelf full of things, 0.9 m wide and 1.9 m high."""
    x, y, z = at
    return (Box((x, y, z), (x + 0.9, y + 1.9, z + 0.3), picture_of(seed)),)


def outdoor_scene(house_boxes: Sequence[Box] = ()) -> Outdoors:
    """A garden at noon with a plain white house in it, if `house_boxes` is empty; otherwise with those."""
    plain = (
        Box((4, -0.3, 6), (14, 5, 12), WHITE_PAINT),
        Box((6, 0.6, 5.98), (7.4, 1.9, 6), Material(surface(0.05, 0.06, 0.08))),
        Box((9, -0.3, 5.98), (10, 1.8, 6), Material(surface(0.30, 0.08, 0.06))),
        Box((3.6, 5, 5.6), (14.4, 5.5, 12.4), Material(surface(0.30, 0.12, 0.08))),
    )
    return Outdoors(horizon=daylight(6300), boxes=tuple(house_boxes) or plain)
