"""Bringing light into what sRGB can show: hue and lightness stay, chroma gives way.

A colour outside moves straight towards the grey of its own lightness in Oklab until it meets the surface of
sRGB, so no channel is ever cut off by itself, and along any ramp the result goes on without a jump.

On a line of one Oklab lightness and hue each linear channel is a cubic of the share of chroma that is
kept; the meeting point is found by halving.

References
----------
.. [1] B. Ottosson, sRGB gamut clipping, 2021: clipping along lines in Oklab.
.. [2] W3C CSS Color Module Level 4, 13: keep lightness and hue, reduce chroma.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from panopipe.colour.oklab import CONE_ROOTS_FROM_OKLAB, CONES_FROM_XYZ, OKLAB_FROM_CONE_ROOTS
from panopipe.colour.spaces import SRGB_FROM_XYZ, XYZ_FROM_SRGB
from panopipe.colour.transfer import srgb_decode
from panopipe.pixels.compiled import compiled
from panopipe.pixels.functions import cube_root

Floats = NDArray[np.float32]

CEILING = float(srgb_decode(253.4 / 255))
"""Highest channel of a colour in a frame with light above white: the code 255 is left to pure white, even
with grain on top."""

LINE: Floats = np.concatenate(
    [
        CONES_FROM_XYZ @ XYZ_FROM_SRGB,
        OKLAB_FROM_CONE_ROOTS[:1],
        CONE_ROOTS_FROM_OKLAB * (0, 1, 1) @ OKLAB_FROM_CONE_ROOTS,
        SRGB_FROM_XYZ @ np.linalg.inv(CONES_FROM_XYZ),
    ]
).astype(np.float32)
"""(10, 3): cones from linear sRGB (3 rows), lightness from cone roots (1), what chroma adds to the cone roots
of the grey of the same lightness (3), linear sRGB from cones (3)."""

_HALVINGS = 22
"""Steps of the search: chroma is then right to the rounding of float32."""


def is_outside(colours: Floats, ceiling: float) -> NDArray[np.bool_]:
    """Which of some colours (..., 3) sRGB cannot show below a ceiling."""
    flags: NDArray[np.bool_] = (colours.min(axis=-1) < 0) | (colours.max(axis=-1) > np.float32(ceiling))
    return flags


@compiled("fit")
def fit(colours: Floats, line: Floats, ceiling: float) -> None:
    """Change colours (n, 3) that lie outside; `line` is `LINE`."""
    roots = cube_root(mixed(line[:3], colours.T))
    (lightness,) = np.clip(mixed(line[3:4], roots), 0, 1)
    tints, srgb = mixed(line[4:7], roots), line[7:]
    squares, triple, grey = tints * tints, 3 * lightness, lightness * lightness * lightness
    first, second = triple * lightness * mixed(srgb, tints), triple * mixed(srgb, squares)
    third = mixed(srgb, squares * tints)
    top, share, step = np.maximum(np.float32(ceiling), grey), np.zeros_like(grey), np.float32(1)

    def at(share: Floats) -> Floats:
        value: Floats = ((third * share + second) * share + first) * share + grey
        return value

    for _ in range(_HALVINGS):
        step /= 2
        tried = at(share + step)
        beyond = np.maximum(tried.max(axis=0) - top, -tried.min(axis=0))
        share += np.where(beyond <= 0, step, np.float32(0))
    colours[:] = at(share).T


def mixed(weights: Floats, planes: Floats) -> Floats:
    """Apply a matrix (m, 3) to planes (3, n), term after term."""
    red, green, blue = planes
    return np.stack(
        [by_red * red + by_green * green + by_blue * blue for by_red, by_green, by_blue in weights]
    )
