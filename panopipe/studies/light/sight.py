"""What a frame at reduced size shows of light and colour, for whoever looks for views in it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.spaces import LUMINANCE_OF_WORKING, SRGB_FROM_WORKING
from panopipe.sphere.geometry import pitch_of_row

Plane = NDArray[np.float32]
Mask = NDArray[np.bool_]
Rows = NDArray[np.float32]
Float = NDArray[np.float64]
Box = tuple[slice, slice]


@dataclass(frozen=True, slots=True)
class Sight:
    """A frame at reduced size, or a part of it, turned so that no window is cut if that can be helped.

    Attributes
    ----------
    light_ev : ndarray of shape (height, width), dtype float32
        Log2 luminance over a perfect white in the room's light.
    warm, cool : ndarray of shape (height, width), dtype float32
        Log ratios of red and blue to green.
    greenness : ndarray of shape (height, width), dtype float32
        Log ratio of green to the mean of red and blue, leaves apart from noise.
    pitch_deg, share : ndarray of shape (height, width), dtype float64
        Pitch and solid angle of each pixel.
    pixel_deg : float
        Width of a pixel at the horizon.
    """

    light_ev: Plane
    warm: Plane
    cool: Plane
    greenness: Plane
    pitch_deg: Float
    share: Float
    pixel_deg: float

    def part(self, box: Box) -> Sight:
        """What lies in a box."""
        planes = {name: getattr(self, name)[box] for name in self.__slots__ if name != "pixel_deg"}
        return Sight(**planes, pixel_deg=self.pixel_deg)


def plane_of_light(rows: Rows) -> Plane:
    """Log2 luminance, as wide as the frame."""
    weights = LUMINANCE_OF_WORKING.reshape(1, 3).astype(np.float32)
    return np.asarray(np.log2(np.maximum(cv2.transform(rows, weights), np.float32(2.0**-20))))


def sight_of(rows: Rows, light_ev: Plane, share: Float) -> Sight:
    """What is to be judged of a frame, from its light over white and the solid angle of its pixels."""
    screen = cv2.transform(rows, SRGB_FROM_WORKING.astype(np.float32))
    red, green, blue = cv2.split(np.log(np.maximum(screen, np.float32(1e-7))))
    warm, cool = red - green, blue - green
    height, width = light_ev.shape
    pitch = np.broadcast_to(pitch_of_row(np.arange(height), height)[:, None], light_ev.shape)
    greenness = np.asarray(cv2.blur(-(warm + cool) / 2, (3, 3)))
    return Sight(light_ev, warm, cool, greenness, pitch, share, 360 / width)


def colours_of(sight: Sight, region: Mask) -> float:
    """Spread of colour in a region."""
    spread = [np.percentile(plane[region], [10, 90]) for plane in (sight.warm, sight.cool)]
    return float(np.hypot(spread[0][1] - spread[0][0], spread[1][1] - spread[1][0]) / 2)
