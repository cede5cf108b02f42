"""Surfaces that several things share; those of the house itself are in `house`."""

from __future__ import annotations

from typing import Any

import textures
from house import oak
from kit import Colour, glossy, papered, picture

BOOK_COLOURS: tuple[Colour, ...] = (
    (0.30, 0.06, 0.04),
    (0.05, 0.10, 0.18),
    (0.42, 0.36, 0.24),
    (0.07, 0.13, 0.08),
    (0.5, 0.22, 0.05),
    (0.55, 0.53, 0.48),
    (0.03, 0.03, 0.035),
    (0.20, 0.09, 0.14),
)


def cloth(name: str, colour: Colour, *, metres: float = 0.35) -> Any:
    """Woven cloth of a colour."""
    return papered(name, picture("weave", textures.weave()), metres, tint=colour, roughness=1, specular=0.1)


def slate_cloth() -> Any:
    """Dark blue-grey cloth."""
    return cloth("slate cloth", (0.13, 0.16, 0.19))


def rust_cloth() -> Any:
    """Brownish red cloth."""
    return cloth("rust", (0.38, 0.12, 0.04))


def dark_oak() -> Any:
    """Stained oak."""
    return oak(tint=(0.33, 0.20, 0.11))


def clay() -> Any:
    """Unglazed clay."""
    return glossy("clay", (0.38, 0.19, 0.10), roughness=0.6)


def blue_glaze() -> Any:
    """Deep blue glaze."""
    return glossy("blue glaze", (0.06, 0.14, 0.22), roughness=0.15)


def ceramic() -> Any:
    """White sanitary ware."""
    return glossy("ceramic", (0.80, 0.80, 0.80), roughness=0.08)


def silvered() -> Any:
    """A mirror's face."""
    return glossy("mirror", (0.9, 0.9, 0.9), roughness=0.0, metal=1)


def book_cover(kind: int) -> Any:
    """Cover of a book, one of `BOOK_COLOURS`."""
    return glossy(f"book {kind}", BOOK_COLOURS[kind], roughness=0.55)
