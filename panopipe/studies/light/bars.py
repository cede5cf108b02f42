"""Bars between the panes of a window: they stand amid daylight, but lamps light what they show the room.

Light by place is too coarse for them: it is daylight all over a window, and makes a white bar in lamplight
orange. What the light is on the wall around the window is known, and the view has its own gains.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.frame import Rows
from panopipe.sphere.filters import smooth
from panopipe.sphere.wrap import pad
from panopipe.studies.light.panes import BROAD_DEG
from panopipe.studies.light.sight import Mask

AWAY_DEG, AROUND_DEG, FAR_SHARE = 3.0, (4.0, 16.0), 0.01
"""How far from a window the light around it is read, beyond its reveals and frame, which have the day's; the
standard deviations over which it is, and the weight of the wider one: in a glazed front nothing is near."""
WITHIN_PX = 2
"""Pixels of the reduced frame from a window's outline to where what it encloses are bars."""
COLUMNS = 128
"""Of the grid on which light around windows is read; light by place is no finer but where there is trim."""
LEAST = 1e-9
"""Weight of light in a window against that around it, where nothing is around."""


def bars_relit(evened: Rows, zone: Mask) -> Rows:
    """Gains that give bars the light of the room around their window, and change nothing elsewhere.

    Parameters
    ----------
    evened : ndarray of shape (rows + 2, columns + 2, 3), dtype float32
        Gains of the channels by the stage that evened the light.
    zone : ndarray of shape (height, width), dtype bool
        Where the frame, at reduced size, shows the outside.

    Returns
    -------
    ndarray of shape (rows + 2, columns + 2, 3), dtype float32
    """
    rows, columns = evened.shape[0] - 2, evened.shape[1] - 2
    window, within = _windows(zone)
    log = np.log(evened[1:-1, 1:-1])
    outside = 1 - cv2.resize(window, (columns, rows), interpolation=cv2.INTER_AREA)[..., None]
    around = np.maximum(outside, np.float32(LEAST))
    times = max(columns // COLUMNS, 1)
    size = (columns // times, rows // times)
    told = cv2.resize(np.concatenate([log * around, around], axis=-1), size, interpolation=cv2.INTER_AREA)
    spread = smooth(told, AROUND_DEG[0]) + FAR_SHARE * smooth(told, AROUND_DEG[1])
    room = cv2.resize(pad(spread[..., :3] / spread[..., 3:], 1), None, fx=times, fy=times)
    room = room[times:-times, times:-times]
    share, gains = cv2.resize(within, (columns, rows), interpolation=cv2.INTER_AREA), np.ones_like(log)
    bars = share > 0
    gains[bars] = np.exp(share[bars, None] * (room - log)[bars])
    return pad(gains, 1)


def _windows(zone: Mask) -> tuple[Rows, Rows]:
    """Windows with what is close to them, and what they enclose, bars and all: 0 or 1, (height, width)."""
    pixel_deg = 360 / zone.shape[1]
    gap, away = round(BROAD_DEG / 2 / pixel_deg), round(AWAY_DEG / pixel_deg)
    margin = gap + away + 1
    wide = np.ascontiguousarray(pad(zone.astype(np.uint8), margin))
    whole = cv2.morphologyEx(wide, cv2.MORPH_CLOSE, _disc(gap))
    near, inner = cv2.dilate(whole, _disc(away)), cv2.erode(whole, _disc(WITHIN_PX))
    return tuple(mask[margin:-margin, margin:-margin].astype(np.float32) for mask in (near, inner))


def _disc(radius: int) -> NDArray[np.uint8]:
    disc: NDArray[np.uint8] = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1,) * 2)
    return disc
