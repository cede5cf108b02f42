"""What the tonal rendering of a frame needs once all has been learned, and its use on a band."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import XYZ_FROM_SRGB
from panopipe.pixels.adaptation import NEVER
from panopipe.pixels.render import Shoulder, Zone
from panopipe.pixels.render import render as render_rows
from panopipe.studies.light.curve import KNEE
from panopipe.studies.light.local import LocalCurves
from panopipe.studies.light.outlook import Outlook

Plane32 = NDArray[np.float32]
Float = NDArray[np.float64]

HEADROOM = 0.1
"""Part of the way from luminance to each channel that is left free beyond it, so that chroma raised later
finds room below clipping."""
CROWDED = 0.8
"""Share of the room between luminance and white that colour takes as it is; the last fifth is for what goes
beyond."""
CHANNEL_SHARE = 0.15
"""Share of what colour loses for want of room that each channel loses by itself, as film and eye do; of the
rest, all lose alike. By chroma alone an orange wall in lamplight runs to pink and a sky to violet, by channel
to yellow and to cyan; with this share 95 of 100 colours, up to the light of diffuse white, turn by less than
6 degrees of Oklab hue."""
TINT = 0.5
"""Difference between the strongest and the weakest channel, against luminance, that is half a tint of white
and half a colour: C*ab 15 to 30 near white, by hue. What a white leaves on paint is less, wood and most walls
are more."""
GLOW = (0.9, 1.4)
"""Light up to which colours keep their saturation, and from which all runs into white: what only reflects is
no brighter than diffuse white, but where lamps are near."""
LUMINANCE_OF_SRGB = XYZ_FROM_SRGB[1]


@dataclass(frozen=True, slots=True)
class DaylightView:
    """Daylight seen from a room.

    Attributes
    ----------
    shares : LocalCurves
        By place and luminance: share of light that is such daylight; of the levels and cells of the gains.
    change : ndarray of shape (3, 3), dtype float64
        Makes of light what is added to it, by its share, to bring it nearer to the white of the room.
    """

    shares: LocalCurves
    change: Float


@dataclass(frozen=True, slots=True)
class Rendering:
    """What a band needs.

    Attributes
    ----------
    luminance : ndarray of shape (1, 3), dtype float32
        Weights of luminance as it will be after balance.
    screen, from_screen : ndarray of shape (3, 3), dtype float64
        From light to linear sRGB as it will be after balance, and back.
    gains : LocalCurves
        By place and luminance: gain in EV by all but the shoulder.
    white_point : float or None
        Display light, before the shoulder, that is shown as white; None if there is no shoulder.
    views : View or None
        Light that is not of the room; None if it has no colour of its own.
    outlook : Outlook or None
        The view from a room, exposed for itself; None if there is none.
    relit : ndarray of shape (rows + 2, columns + 2, 6), dtype float32, or None
        Gains of the channels that give the view its own white, and bars before it the room's
        light, by place; see `panopipe.pixels.render.Zone`.
    balance : ndarray of shape (3,)
        Gains of the channels by the balance to come.
    saturating : tuple of float
        Least balanced channel from which light is in part what saturated the sensor, and from which wholly.
    rebuilt : tuple of float
        Strongest balanced channel from which light was rebuilt in part, and from which surely.
    """

    luminance: Plane32
    screen: Float
    from_screen: Float
    gains: LocalCurves
    white_point: float | None
    views: DaylightView | None = None
    outlook: Outlook | None = None
    relit: Plane32 | None = None
    balance: Float = field(default_factory=lambda: np.ones(3))
    saturating: tuple[float, float] = NEVER
    rebuilt: tuple[float, float] = NEVER


def render(rows: Plane32, first: int, rendering: Rendering) -> None:
    """Change a band in place.

    Parameters
    ----------
    rows : ndarray of shape (n, width, 3), dtype float32, contiguous
        Linear light in the working space, before balance.
    first : int
        Row of the frame that ``rows[0]`` is.
    rendering : Rendering
        What was learned of the frame.
    """
    gains, views, outlook = rendering.gains, rendering.views, rendering.outlook
    change = np.zeros((3, 3)) if views is None else views.change
    matrices = rendering.luminance, rendering.screen, rendering.from_screen, change, LUMINANCE_OF_SRGB[None]
    render_rows(
        rows,
        first,
        gains=gains.table,
        shares=None if views is None else views.shares.table,
        zone=None if outlook is None else Zone(outlook.gains.table, outlook.planes, rendering.relit),
        levels_ev=(gains.lowest_ev, gains.level_ev),
        weights=np.concatenate([*matrices, rendering.balance[None]]).astype(np.float32),
        saturating=rendering.saturating,
        rebuilt=rendering.rebuilt,
        shoulder=Shoulder(rendering.white_point or 0, KNEE, HEADROOM, CROWDED, CHANNEL_SHARE, TINT, GLOW),
    )
