"""What lies outside of the windows: lawn, beds, houses, trees, hills and a clouded sky, by direction.

Drawn with numpy and handed to the renderer as its world: sharp, without noise, at no distance. Values are
relative to a sunlit white of 1.
"""

from __future__ import annotations

import math

import numpy as np
from plan import day_rgb
from textures import Picture, cloud

ROWS = 1024
EYE_M = 1.9
"""Height of the camera above the lawn."""
PAVED_M = 4.5
"""Slabs reach so far from the house; they keep ceilings from turning green."""
SKY_KELVIN = (6800.0, 18000.0)
"""Horizon and zenith."""


def _value(kelvin: float, luminance: float) -> np.ndarray:
    return np.array(day_rgb(kelvin)) * luminance


class View:
    """The picture while it is being drawn, far things first."""

    def __init__(self, seed: int, rows: int = ROWS) -> None:
        self.random = np.random.default_rng(seed)
        self.rows, self.columns = rows, 2 * rows
        self.pitch = (np.pi / 2 - (np.arange(rows) + 0.5) / rows * np.pi)[:, None]
        self.yaw = ((np.arange(2 * rows) + 0.5) / (2 * rows) * 2 * np.pi - np.pi)[None]
        self.seed = int(self.random.integers(1_000_000))
        self.picture = self._sky()

    def _noise(self, cells: tuple[int, int], octaves: int = 6) -> np.ndarray:
        self.seed += 1
        return cloud(self.rows, self.columns, cells=cells, octaves=octaves, seed=self.seed)

    def _ridge(self, low: float, high: float, cells: int, octaves: int = 6) -> np.ndarray:
        """Height of a skyline, radians."""
        self.seed += 1
        line = cloud(4, self.columns, cells=(1, cells), octaves=octaves, seed=self.seed)[:1]
        return low + (high - low) * np.clip(0.5 + 0.28 * line, 0, 1)

    def _sky(self) -> np.ndarray:
        up = np.clip(np.sin(self.pitch), 0, 1)[..., None]
        clear = _value(SKY_KELVIN[0], 0.42) * (1 - up**0.6) + _value(SKY_KELVIN[1], 0.13) * up**0.6
        cover = np.clip(self._noise((5, 12)) - 0.35, 0, 1)[..., None] * np.clip(up * 7, 0, 1)
        shade = 0.75 + 0.12 * self._noise((9, 20))[..., None]
        sky: np.ndarray = clear * (1 - 0.85 * cover) + _value(5900, 0.85) * shade * cover * 0.85
        return sky

    def paint(self, where: np.ndarray, colour: np.ndarray) -> None:
        """Put a colour (or a picture) where a mask or a cover from 0 to 1 says."""
        share = np.asarray(where, np.float64)[..., None]
        self.picture = self.picture * (1 - share) + colour * share

    def hills(self) -> None:
        """Two blue ridges."""
        for low, high, colour in ((0.02, 0.11, (0.125, 0.155, 0.18)), (0.005, 0.06, (0.075, 0.105, 0.075))):
            texture = 1 + 0.18 * self._noise((60, 120))[..., None]
            self.paint(self.pitch < self._ridge(low, high, 5), np.array(colour) * texture)

    def houses(self, count: int = 7) -> None:
        """Gabled houses with windows, spread around the horizon."""
        walls = ((0.72, 0.66, 0.52), (0.60, 0.58, 0.55), (0.55, 0.30, 0.20), (0.70, 0.70, 0.68))
        for k in range(count):
            middle = -np.pi + 2 * np.pi * (k + self.random.uniform(0.2, 0.8)) / count
            half, eaves = self.random.uniform(0.07, 0.16), self.random.uniform(0.06, 0.13)
            away = (self.yaw - middle + np.pi) % (2 * np.pi) - np.pi
            across = away / half
            front = (np.abs(across) < 1) & (self.pitch < eaves) & (self.pitch > -0.06)
            light = 0.9 if k % 2 else 0.45
            self.paint(front, np.array(walls[k % 4]) * light)
            pane = (np.abs((across * 2.5) % 1 - 0.5) < 0.2) & (
                np.abs((self.pitch / eaves * 2) % 1 - 0.5) < 0.22
            )
            self.paint(front & pane & (self.pitch > 0), np.array((0.05, 0.06, 0.07)))
            slope = eaves + 0.06 * (1 - np.abs(across) / 1.15)
            roof = (np.abs(across) < 1.15) & (self.pitch >= eaves) & (self.pitch < slope)
            tiles = 1 + 0.2 * (((self.pitch * 260) % 1) > 0.6)[..., None]
            self.paint(roof, np.array((0.30, 0.13, 0.08) if k % 3 else (0.11, 0.11, 0.12)) * light * tiles)

    def trees(self, count: int = 46) -> None:
        """Crowns of leaves before the houses, sunlit from one side."""
        leaf = self._noise((170, 340), 3)
        for _ in range(count):
            middle, radius = self.random.uniform(-np.pi, np.pi), self.random.uniform(0.03, 0.13)
            self._tree(middle, self.random.uniform(0.0, 0.15), radius, leaf)

    def _tree(self, middle: float, height: float, radius: float, leaf: np.ndarray) -> None:
        top, foot = (round((0.5 - value / np.pi) * self.rows) for value in (height + 1.5 * radius, -0.1))
        part = slice(top, foot)
        pitch, leaf = self.pitch[part], leaf[part]
        away = (self.yaw - middle + np.pi) % (2 * np.pi) - np.pi
        inside = 1 - np.hypot(away, (pitch - height) * 0.85) / radius + 0.16 * leaf
        green = np.array((0.055, 0.11, 0.025)) * self.random.uniform(0.7, 1.3) + np.array((0.02, 0, 0))
        lit = 0.55 + 0.55 * np.clip(0.5 - away / radius / 2 + (pitch - height) / radius / 2, 0, 1)
        colour = green * lit[..., None] * (1 + 0.4 * leaf[..., None])
        trunk = (np.abs(away) < 0.1 * radius) & (pitch < height) & (pitch > -0.07)
        seen = self.picture[part]
        seen = np.where(trunk[..., None], np.array((0.07, 0.055, 0.04)), seen)
        cover = np.clip(inside * 9, 0, 1)[..., None] * (pitch > -0.08)[..., None]
        self.picture[part] = seen * (1 - cover) + colour * cover

    def ground(self) -> None:
        """Lawn in mown stripes, a gravel path, beds of flowers, and slabs about the house."""
        down = np.minimum(self.pitch, -0.004)
        away = EYE_M / np.tan(-down)
        x, y = away * np.sin(self.yaw), away * np.cos(self.yaw)
        fine = np.clip(1 + 0.22 * self._noise((240, 480), 3) * np.clip(12 / away, 0.2, 1), 0.3, 2)
        stripe = 1 + 0.12 * np.sign(np.sin(x * 2 * np.pi / 2.4))
        below = self.pitch < -0.006
        self.paint(below, np.array((0.075, 0.125, 0.035)) * (fine * stripe)[..., None])
        path = below & (np.abs(y - 0.35 * x - 7 - 1.2 * np.sin(x / 5)) < 0.8)
        self.paint(path, np.array((0.36, 0.32, 0.26)) * fine[..., None])
        patch = cloud(self.rows, self.columns, cells=(20, 40), octaves=3, seed=self.seed + 50)
        beds = below & (away > 8) & (away < 22) & (patch > 0.9)
        kind = self._noise((120, 240), 2)[..., None]
        flowers = np.where(
            kind > 0.5, (0.55, 0.08, 0.07), np.where(kind < -0.6, (0.62, 0.50, 0.10), (0.06, 0.11, 0.03))
        )
        self.paint(beds, flowers * fine[..., None])
        slabs = below & (away < PAVED_M)
        joint = (np.minimum(x % 0.6, y % 0.6) > 0.02)[..., None]
        self.paint(slabs, np.array((0.30, 0.285, 0.26)) * fine[..., None] * np.where(joint, 1, 0.5))


def landscape(seed: int) -> Picture:
    """The whole picture, row 0 at the zenith, north (+y) in the middle, east to the right."""
    view = View(seed)
    view.hills()
    view.houses()
    view.trees()
    view.ground()
    return np.clip(view.picture, 0.003, 2).astype(np.float32)


def incoming(picture: Picture, toward_deg: float) -> np.ndarray:
    """Colour, luminance 1, of the sky's light on a window that faces `toward_deg` (0 north, 90 east)."""
    rows, columns = picture.shape[:2]
    pitch = np.pi / 2 - (np.arange(rows) + 0.5) / rows * np.pi
    yaw = (np.arange(columns) + 0.5) / columns * 2 * np.pi - np.pi
    facing = np.clip(np.cos(yaw - math.radians(toward_deg)), 0, None)[None] * np.cos(pitch)[:, None] ** 2
    facing = facing * (pitch > 0)[:, None]
    light = (picture * facing[..., None]).sum((0, 1))
    return np.asarray(light / (light @ [0.2126, 0.7152, 0.0722]))


def as_world(picture: Picture) -> Picture:
    """Columns in the order in which Cycles reads an environment: they fall with the angle from +x to +y."""
    columns = picture.shape[1]
    yaw = (np.arange(columns) + 0.5) / columns * 2 * np.pi - np.pi
    u = (-(np.pi / 2 - yaw) / (2 * np.pi) + 0.5) % 1.0
    return picture[:, np.argsort(u)]
