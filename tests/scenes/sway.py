"""A panorama seen from beside its own place: a room of known form, painted with the panorama's light.

Each ray is met with the room's box and with upright round pillars in it; what it meets has the light that the
panorama has in the direction of that point. So a camera that sways sees near things move more than far ones,
and what they hide, by a model that knows nothing of how it is undone.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.sphere.geometry import direction, pitch_of_row, pixel_of, yaw_of_column, yaw_pitch
from panopipe.sphere.wrap import pad

Light = NDArray[np.float32]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Room:
    """A box around the camera and pillars in it, in metres from the lens.

    Attributes
    ----------
    sides : tuple of float
        How far the walls are: left, right, behind, in front; then the floor below and the ceiling above.
    pillars : tuple of (x, z, radius)
        Upright, from floor to ceiling.
    """

    sides: tuple[float, ...] = (2.4, 3.1, 4.6, 3.8, 1.6, 1.1)
    pillars: tuple[tuple[float, float, float], ...] = ((1.0, 1.2, 0.15), (-1.6, 0.8, 0.2), (0.4, -2.6, 0.25))

    def distance(self, origin: Floats, ray: Floats) -> Floats:
        """How far along each ray something is met."""
        left, right, behind, front, below, above = self.sides
        low, high = np.array([-left, -below, -behind]), np.array([right, above, front])
        with np.errstate(divide="ignore"):
            met = np.where(ray > 0, (high - origin) / ray, (low - origin) / ray).min(axis=-1)
        for x, z, radius in self.pillars:
            to = origin[[0, 2]] - np.array([x, z])
            flat = ray[..., [0, 2]]
            a, b, c = np.sum(flat**2, axis=-1), flat @ to, float(to @ to) - radius**2
            root = b * b - a * c
            near = (-b - np.sqrt(np.maximum(root, 0))) / np.maximum(a, 1e-12)
            met = np.where((root > 0) & (near > 0), np.minimum(met, near), met)
        return np.asarray(met)


@dataclass(frozen=True)
class Sway:
    """A monopod that leaned, about its foot, and twisted.

    Attributes
    ----------
    lean_deg, toward_yaw_deg, twist_deg : float
        How far it leans, where to, and how far it turned about itself.
    height_m : float
        Of the lens over the foot.
    """

    lean_deg: float = 0.0
    toward_yaw_deg: float = 0.0
    twist_deg: float = 0.0
    height_m: float = 1.6

    @property
    def rotation(self) -> Floats:
        """Directions in the camera to directions in the room."""
        yaw = np.radians(self.toward_yaw_deg)
        axis = np.array([np.cos(yaw), 0, -np.sin(yaw)])  # up leans toward the yaw
        lean = cv2.Rodrigues(axis * np.radians(self.lean_deg))[0]
        twist = cv2.Rodrigues(np.array([0, np.radians(self.twist_deg), 0.0]))[0]
        return np.asarray(lean @ twist)

    @property
    def position(self) -> Floats:
        """Of the lens, against where it is upright."""
        up = np.array([0, self.height_m, 0])
        return np.asarray(self.rotation @ up - up)


def room_directions(sway: Sway, room: Room, ray: Floats) -> Floats:
    """Directions, from the upright lens, of what rays of the swayed camera meet."""
    turned = ray @ sway.rotation.T
    return np.asarray(sway.position + turned * room.distance(sway.position, turned)[..., None])


def swayed(panorama: Light, sway: Sway, room: Room, *, over: int = 1) -> Light:
    """What the swayed camera sees; `over` samples a side of each pixel are averaged."""
    height, width = panorama.shape[:2]
    wide = pad(panorama, 4)
    total = np.zeros(panorama.shape, np.float64)
    for part in range(over * over):
        dy, dx = ((np.array(divmod(part, over)) + 0.5) / over - 0.5).tolist()
        yaw = yaw_of_column(np.arange(width) + dx, width)[None]
        pitch = pitch_of_row(np.arange(height) + dy, height)[:, None]
        column, row = pixel_of(*yaw_pitch(room_directions(sway, room, direction(yaw, pitch))), width)
        at = ((column % width + 4).astype(np.float32), (row + 4).astype(np.float32))
        soft = cv2.remap(wide, *at, cv2.INTER_LINEAR)
        total += np.maximum(cv2.remap(wide, *at, cv2.INTER_CUBIC), 0.7 * soft)  # no black rims beside lamps
    return (total / over**2).astype(np.float32)


def true_places(sway: Sway, room: Room, yaw_deg: Floats, pitch_deg: Floats) -> tuple[Floats, Floats]:
    """Yaw and pitch in the swayed picture of what the upright camera sees in a direction, hidden or not."""
    ray = direction(yaw_deg, pitch_deg)
    point = ray * room.distance(np.zeros(3), ray)[..., None]
    return yaw_pitch((point - sway.position) @ sway.rotation)


def is_seen(sway: Sway, room: Room, yaw_deg: Floats, pitch_deg: Floats) -> NDArray[np.bool_]:
    """Whether the swayed camera sees what the upright one sees in a direction; to 2 cm."""
    ray = direction(yaw_deg, pitch_deg)
    to = ray * room.distance(np.zeros(3), ray)[..., None] - sway.position
    away = np.linalg.norm(to, axis=-1)
    return np.asarray(room.distance(sway.position, to / away[..., None]) > away - 0.02)
