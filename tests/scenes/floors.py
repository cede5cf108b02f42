"""Generated floors under a spherical camera, with and without its monopod: the truth is known.

A floor is a function of metres on a plane; the camera stands above the origin of its own coordinates, some
heading turned. The monopod has a round or three-toed foot, a pole whose head hides the middle, a lean of a
degree, a contact shadow that fades by distance and a soft one-sided shadow away from the main light. Noise
is that of a sensor (shot and read noise) laid down on the camera's own picture before the frame was
stitched, so that it is correlated along the rows near the nadir as in real frames.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.sphere.geometry import pitch_of_row, yaw_of_column

Picture = NDArray[np.float32]
Floor = Callable[[Picture, Picture], Picture]
"""Albedo (..., 3), linear light in the working space, of metres (right, forward) on the floor."""

_TILE = 512


def _noise_tile(seed: int) -> Picture:
    return np.random.default_rng(seed).random((_TILE, _TILE)).astype(np.float32)


def value_noise(x: Picture, y: Picture, scale_m: float, seed: int) -> Picture:
    """Smooth noise in -1 to 1 whose bumps are about `scale_m` wide; repeats after 512 bumps."""
    tile = _noise_tile(seed)
    tile = np.pad(tile, ((0, 1), (0, 1)), mode="wrap")
    column, row = np.mod(x / scale_m, _TILE).astype(np.float32), np.mod(y / scale_m, _TILE).astype(np.float32)
    bumps: Picture = cv2.remap(tile, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return 2 * bumps - 1


def cell_noise(i: Picture, j: Picture, seed: int) -> Picture:
    """One number in -1 to 1 for each pair of whole numbers."""
    tile = _noise_tile(seed)
    return 2 * tile[np.mod(i, _TILE).astype(np.int32), np.mod(j, _TILE).astype(np.int32)] - 1


def _turned(x: Picture, y: Picture, angle_deg: float) -> tuple[Picture, Picture]:
    angle = math.radians(angle_deg)
    sine, cosine = np.float32(math.sin(angle)), np.float32(math.cos(angle))
    return cosine * x + sine * y, cosine * y - sine * x


def _coloured(shade: Picture, colour: tuple[float, float, float]) -> Picture:
    return shade[..., None] * np.array(colour, np.float32)


def _groove(distance: Picture, width_m: float) -> Picture:
    """1 in the middle of a groove of some width, 0 outside, soft over a fifth of the width."""
    return np.clip((width_m / 2 - np.abs(distance)) / (0.2 * width_m) + 0.5, 0, 1).astype(np.float32)


def _boards(
    x: Picture, y: Picture, *, board_m: float, length_m: float, gap_m: float, spread: float, seed: int
) -> tuple[Picture, Picture]:
    """Shade and gap of boards along x: each of its own tone, with grain, butt joints and gaps."""
    board = np.floor(y / board_m)
    start = cell_noise(board, board * 0, seed) * length_m
    piece = np.floor((x + start) / length_m)
    tone = spread * cell_noise(board, piece, seed + 1)
    shift = 3 * cell_noise(board, piece, seed + 2)
    grain = value_noise(x * 0.07 + shift, y, 0.006, seed + 3) * 0.6 + value_noise(
        x * 0.05, y + shift, 0.02, seed + 4
    )
    gap = np.maximum(
        _groove(y - board * board_m, gap_m) + _groove(y - (board + 1) * board_m, gap_m),
        _groove(x + start - piece * length_m, gap_m),
    )
    return 1 + tone + 0.05 * grain, np.clip(gap, 0, 1)


def planks(angle_deg: float = 27, board_m: float = 0.14, seed: int = 1) -> Floor:
    """Oak planks at an angle to the heading."""

    def floor(x: Picture, y: Picture) -> Picture:
        along, across = _turned(x, y, angle_deg)
        shade, gap = _boards(along, across, board_m=board_m, length_m=1.4, gap_m=0.004, spread=0.1, seed=seed)
        return _coloured(shade * (1 - 0.6 * gap), (0.36, 0.25, 0.16))

    return floor


def deck(angle_deg: float = -12, seed: int = 2) -> Floor:
    """Weathered deck boards with open gaps and screws."""

    def floor(x: Picture, y: Picture) -> Picture:
        along, across = _turned(x, y, angle_deg)
        shade, gap = _boards(along, across, board_m=0.145, length_m=3.0, gap_m=0.008, spread=0.08, seed=seed)
        to_rib = np.mod(along, 0.5) - 0.25
        to_screw = np.abs(np.mod(across, 0.145) - 0.0725) - 0.045
        screw = np.clip(1.5 - np.hypot(to_rib, to_screw) / 0.004, 0, 1)
        ribs = 1 + 0.06 * np.sin(across * (2 * np.pi / 0.0145))
        return _coloured(shade * ribs * (1 - 0.85 * gap) * (1 - 0.5 * screw), (0.30, 0.27, 0.23))

    return floor


def square_tiles(angle_deg: float = 18, side_m: float = 0.3, seed: int = 3) -> Floor:
    """Stoneware tiles with light grout, each of a slightly different tone, lightly mottled."""

    def floor(x: Picture, y: Picture) -> Picture:
        along, across = _turned(x, y, angle_deg)
        i, j = np.floor(along / side_m), np.floor(across / side_m)
        joint = np.maximum(
            _groove(np.mod(along + side_m / 2, side_m) - side_m / 2, 0.005),
            _groove(np.mod(across + side_m / 2, side_m) - side_m / 2, 0.005),
        )
        shade = 1 + 0.05 * cell_noise(i, j, seed) + 0.04 * value_noise(x, y, 0.03, seed + 1)
        tile, grout = _coloured(shade, (0.30, 0.29, 0.27)), np.array((0.48, 0.46, 0.42), np.float32)
        return tile + (grout - tile) * joint[..., None]

    return floor


def hexagonal_tiles(angle_deg: float = 7, side_m: float = 0.1, seed: int = 4) -> Floor:
    """Hexagonal tiles in two tones with dark grout."""
    u = side_m * math.sqrt(3)

    def floor(x: Picture, y: Picture) -> Picture:
        along, across = _turned(x, y, angle_deg)
        row = np.round(across / (1.5 * side_m))
        best = np.full(x.shape, np.inf, np.float32)
        second, tone = best.copy(), np.zeros_like(best)
        for step in (-1, 0, 1):
            line = row + step
            offset = np.mod(line, 2) * (u / 2)
            column = np.round((along - offset) / u)
            for aside in (-1, 0, 1):
                cell = column + aside
                far = np.hypot(along - offset - cell * u, across - line * 1.5 * side_m)
                closer = far < best
                second = np.where(closer, best, np.minimum(second, far))
                tone = np.where(closer, cell_noise(cell, line, seed), tone)
                best = np.minimum(best, far)
        joint = np.clip((0.004 - (second - best)) / 0.0015 + 0.5, 0, 1).astype(np.float32)
        shade = 1 + 0.06 * tone + 0.03 * value_noise(x, y, 0.02, seed + 1)
        tile, grout = _coloured(shade, (0.42, 0.40, 0.37)), np.array((0.16, 0.15, 0.14), np.float32)
        return tile + (grout - tile) * joint[..., None]

    return floor


def terrazzo(seed: int = 5) -> Floor:
    """Chips of several sizes and colours in pale cement."""
    kinds = (
        (0.022, 0.5, (0.20, 0.18, 0.17)),
        (0.014, 0.55, (0.45, 0.30, 0.22)),
        (0.009, 0.6, (0.62, 0.60, 0.56)),
    )

    def floor(x: Picture, y: Picture) -> Picture:
        shade = 1 + 0.04 * value_noise(x, y, 0.15, seed) + 0.03 * value_noise(x, y, 0.004, seed + 9)
        out = _coloured(shade, (0.46, 0.44, 0.40))
        for number, (size, share, colour) in enumerate(kinds):
            bent_x = x + 0.3 * size * value_noise(x, y, size, seed + 20 + number)
            bent_y = y + 0.3 * size * value_noise(x, y, size, seed + 30 + number)
            i, j = np.floor(bent_x / size), np.floor(bent_y / size)
            off_x, off_y = cell_noise(i, j, seed + 40 + number), cell_noise(i, j, seed + 50 + number)
            radius = size * (0.12 + 0.14 * np.abs(cell_noise(i, j, seed + 60 + number)))
            far = np.hypot(bent_x - (i + 0.5 + 0.22 * off_x) * size, bent_y - (j + 0.5 + 0.22 * off_y) * size)
            there = cell_noise(i, j, seed + 70 + number) < 2 * share - 1
            chip = np.clip((radius - far) / 0.0006 + 0.5, 0, 1) * there
            tint = np.array(colour, np.float32) * (1 + 0.15 * cell_noise(i, j, seed + 80 + number))[..., None]
            out = out + (tint - out) * chip[..., None].astype(np.float32)
        return out

    return floor


def carpet(seed: int = 6) -> Floor:
    """Plain loop carpet, mottled."""

    def floor(x: Picture, y: Picture) -> Picture:
        shade = (
            1
            + 0.07 * value_noise(x, y, 0.004, seed)
            + 0.03 * value_noise(x, y, 0.02, seed + 1)
            + 0.02 * value_noise(x, y, 0.3, seed + 2)
        )
        return _coloured(shade, (0.23, 0.24, 0.26))

    return floor


def gravel(seed: int = 7) -> Floor:
    """Rounded stones of one to three centimetres."""

    def floor(x: Picture, y: Picture) -> Picture:
        size = 0.024
        i, j = np.floor(x / size), np.floor(y / size)
        best = np.full(x.shape, np.inf, np.float32)
        second, tone, warm = best.copy(), np.zeros_like(best), np.zeros_like(best)
        for di in (-1, 0, 1):
            for dj in (-1, 0, 1):
                a, b = i + di, j + dj
                far = np.hypot(
                    x / size - a - 0.5 - 0.45 * cell_noise(a, b, seed),
                    y / size - b - 0.5 - 0.45 * cell_noise(a, b, seed + 1),
                )
                closer = far < best
                second = np.where(closer, best, np.minimum(second, far))
                tone = np.where(closer, cell_noise(a, b, seed + 2), tone)
                warm = np.where(closer, cell_noise(a, b, seed + 3), warm)
                best = np.minimum(best, far)
        crevice = np.clip((second - best) / 0.25, 0, 1)
        shade = (0.35 + 0.65 * crevice) * (1 + 0.3 * tone) * (1 + 0.06 * value_noise(x, y, 0.004, seed + 4))
        tint = np.stack([1 + 0.06 * warm, np.ones_like(warm), 1 - 0.08 * warm], -1)
        return (_coloured(shade, (0.34, 0.32, 0.29)) * tint).astype(np.float32)

    return floor


def rug(edge_m: float = 0.05, angle_deg: float = 33, seed: int = 8) -> Floor:
    """A patterned rug with a border, on planks; its edge passes `edge_m` from the foot."""
    bare = planks(angle_deg=angle_deg, seed=seed)
    repeat = 0.12

    def floor(x: Picture, y: Picture) -> Picture:
        along, across = _turned(x, y, angle_deg)
        inward = across - edge_m
        u, v = np.mod(along, repeat) / repeat - 0.5, np.mod(inward - 0.09, repeat) / repeat - 0.5
        diamond = np.clip((0.36 - np.abs(u) - np.abs(v)) / 0.02 + 0.5, 0, 1)
        core = np.clip((0.16 - np.abs(u) - np.abs(v)) / 0.02 + 0.5, 0, 1)
        weave = 1 + 0.05 * np.sin(along * (2 * np.pi / 0.006)) * np.sin(across * (2 * np.pi / 0.006))
        weave = weave + 0.03 * value_noise(x, y, 0.004, seed + 9)
        red, cream, blue = ((0.26, 0.07, 0.06), (0.45, 0.40, 0.30), (0.07, 0.10, 0.20))
        field = _coloured(np.ones_like(x), red)
        field = field + (np.array(cream, np.float32) - field) * diamond[..., None]
        field = field + (np.array(blue, np.float32) - field) * core[..., None]
        border = np.clip((0.09 - inward) / 0.002 + 0.5, 0, 1)[..., None]
        stripe = _groove(inward - 0.045, 0.03)[..., None]
        edge = (
            np.array(blue, np.float32) + (np.array(cream, np.float32) - np.array(blue, np.float32)) * stripe
        )
        cloth = (field + (edge - field) * border) * weave[..., None]
        on = np.clip(inward / 0.002 + 0.5, 0, 1)[..., None]
        shadow = 1 - 0.3 * np.exp(-np.clip(-inward, 0, None) / 0.01)[..., None] * (1 - on)
        return (bare(x, y) * shadow * (1 - on) + cloth * on).astype(np.float32)

    return floor


def herringbone(angle_deg: float = 41, seed: int = 11) -> Floor:
    """Parquet blocks of 1 to 4, laid in herringbone."""
    short, blocks = 0.07, 4

    def floor(x: Picture, y: Picture) -> Picture:
        along, across = _turned(x, y, angle_deg)
        i, j = np.floor(along / short), np.floor(across / short)
        # On a grid of the blocks' width, a row repeats after two lengths and starts one further each time.
        place = np.mod(i - j, 2 * blocks)
        lying = place < blocks
        start_x = np.where(lying, i - place, i) * short
        start_y = np.where(lying, j, j - (2 * blocks - 1 - place)) * short
        u, v = along - start_x, across - start_y
        length, width = np.where(lying, u, v), np.where(lying, v, u)
        gap = np.clip(
            _groove(width, 0.003)
            + _groove(width - short, 0.003)
            + _groove(length, 0.003)
            + _groove(length - blocks * short, 0.003),
            0,
            1,
        )
        a, b = np.round(start_x / short), np.round(start_y / short)
        tone = 0.09 * cell_noise(a, b, seed) + 0.05 * lying
        grain = value_noise(length * 0.07 + 3 * cell_noise(a, b, seed + 1), width, 0.005, seed + 2)
        return _coloured((1 + tone + 0.04 * grain) * (1 - 0.5 * gap), (0.30, 0.20, 0.12))

    return floor


def brick(angle_deg: float = 63, seed: int = 12) -> Floor:
    """Clinker pavers in running bond, rough, with sand joints."""

    def floor(x: Picture, y: Picture) -> Picture:
        along, across = _turned(x, y, angle_deg)
        row = np.floor(across / 0.08)
        start = 0.1 * np.mod(row, 2)
        piece = np.floor((along + start) / 0.2)
        u, v = along + start - piece * 0.2, across - row * 0.08
        joint = np.maximum(
            _groove(u, 0.008) + _groove(u - 0.2, 0.008), _groove(v, 0.008) + _groove(v - 0.08, 0.008)
        )
        tone = 0.16 * cell_noise(row, piece, seed) + 0.05 * value_noise(x, y, 0.006, seed + 1)
        warm = 0.12 * cell_noise(row, piece, seed + 2)
        stone = _coloured(1 + tone, (0.27, 0.13, 0.09)) * np.stack([1 + warm, 1 + 0 * warm, 1 - warm], -1)
        sand = _coloured(1 + 0.1 * value_noise(x, y, 0.003, seed + 3), (0.30, 0.27, 0.21))
        return (stone + (sand - stone) * np.clip(joint, 0, 1)[..., None]).astype(np.float32)

    return floor


def mosaic(angle_deg: float = -31, seed: int = 13) -> Floor:
    """Small glazed squares of five blues and greens at random."""
    glazes = np.array(
        [(0.10, 0.20, 0.28), (0.16, 0.30, 0.34), (0.08, 0.14, 0.22), (0.24, 0.38, 0.36), (0.12, 0.25, 0.24)],
        np.float32,
    )

    def floor(x: Picture, y: Picture) -> Picture:
        along, across = _turned(x, y, angle_deg)
        i, j = np.floor(along / 0.025), np.floor(across / 0.025)
        u, v = along - i * 0.025 - 0.0125, across - j * 0.025 - 0.0125
        joint = np.clip((np.maximum(np.abs(u), np.abs(v)) - 0.0113) / 0.0006 + 0.5, 0, 1)[..., None]
        which = np.minimum((2.5 * (cell_noise(i, j, seed) + 1)).astype(np.int32), 4)
        glaze = glazes[which] * (1 + 0.08 * cell_noise(i, j, seed + 1))[..., None]
        return (glaze + (np.array((0.45, 0.44, 0.41), np.float32) - glaze) * joint).astype(np.float32)

    return floor


def striped_rug(angle_deg: float = 14, seed: int = 14) -> Floor:
    """A woven rug of stripes of unlike widths, far larger than the foot."""
    ends = (0.0, 0.05, 0.07, 0.13, 0.15, 0.16, 0.24, 0.26)
    threads = ((0.36, 0.30, 0.20), (0.10, 0.08, 0.08), (0.30, 0.12, 0.06), (0.42, 0.39, 0.32))

    def floor(x: Picture, y: Picture) -> Picture:
        along, across = _turned(x, y, angle_deg)
        at = np.mod(across + 0.002 * value_noise(along, across * 0, 0.05, seed), ends[-1])
        cloth = np.zeros((*x.shape, 3), np.float32)
        for number, (low, high) in enumerate(pairwise(ends)):
            inside = np.clip((at - low) / 0.001 + 0.5, 0, 1) * np.clip((high - at) / 0.001 + 0.5, 0, 1)
            cloth += inside[..., None] * np.array(threads[number % 4], np.float32)
        weave = 1 + 0.08 * np.sin(along * (2 * np.pi / 0.007)) + 0.04 * value_noise(x, y, 0.005, seed + 1)
        return (cloth * weave[..., None]).astype(np.float32)

    return floor


def speckled_lino(seed: int = 15) -> Floor:
    """Sheet floor with specks of two tones, and cloudy."""

    def floor(x: Picture, y: Picture) -> Picture:
        cloud = 0.03 * value_noise(x, y, 0.09, seed) + 0.02 * value_noise(x, y, 0.35, seed + 1)
        dark = np.clip(4 * value_noise(x, y, 0.006, seed + 2) - 2.2, 0, 1)
        pale = np.clip(4 * value_noise(x, y, 0.008, seed + 3) - 2.4, 0, 1)
        return _coloured((1 + cloud) * (1 - 0.3 * dark) * (1 + 0.25 * pale), (0.25, 0.30, 0.26))

    return floor


FLOORS: dict[str, Callable[[], Floor]] = {
    "planks": planks,
    "square tiles": square_tiles,
    "hexagonal tiles": hexagonal_tiles,
    "terrazzo": terrazzo,
    "carpet": carpet,
    "rug edge": rug,
    "polished": square_tiles,
    "gravel": gravel,
    "deck": deck,
}
HELD_OUT: dict[str, Callable[[], Floor]] = {
    "herringbone": herringbone,
    "brick": brick,
    "mosaic": mosaic,
    "striped rug": striped_rug,
    "speckled lino": speckled_lino,
}
"""Floors that nothing was tuned on."""
STRUCTURED = ("planks", "square tiles", "hexagonal tiles", "rug edge", "polished", "deck")
"""Floors whose joints and patterns must continue."""


@dataclass(frozen=True)
class Foot:
    """A monopod as the camera above it sees it.

    Attributes
    ----------
    radius_deg : float
        Angular radius of the foot on the floor.
    toes : int
        0 for a round plate, else the number of toes of a star-shaped one.
    lean_deg, lean_yaw_deg : float
        How far, and which way, foot and pole lie off the nadir.
    """

    radius_deg: float = 9.0
    toes: int = 0
    lean_deg: float = 0.8
    lean_yaw_deg: float = 50.0

    def outline(self, x: Picture, y: Picture) -> Picture:
        """Signed distance to the foot's edge in camera heights, negative inside."""
        lean, yaw = math.tan(math.radians(self.lean_deg)), math.radians(self.lean_yaw_deg)
        dx, dy = x - lean * math.sin(yaw), y - lean * math.cos(yaw)
        radius = math.tan(math.radians(self.radius_deg))
        far = np.hypot(dx, dy)
        if not self.toes:
            return far - radius
        reach = 0.72 + 0.28 * np.cos(self.toes * (np.arctan2(dx, dy) - yaw))
        return far - radius * reach


@dataclass(frozen=True)
class Stand:
    """Where and how the camera stands: metres on the floor, height, heading, light."""

    x_m: float = 0.0
    y_m: float = 0.0
    height_m: float = 1.5
    heading_deg: float = 0.0
    light_yaw_deg: float = 210.0
    gloss: float = 0.0
    seed: int = 1


@dataclass(frozen=True)
class Seen:
    """Bottom rows of a frame with the monopod, and their truth.

    Attributes
    ----------
    rows, bare : ndarray of shape (n, width, 3), dtype float32
        With the monopod; the same floor, light and noise without it.
    foot, shadow, faint : ndarray of shape (n, width), bool
        Where the monopod stands before the floor; where its shadow takes more than 5 % of the light; where it
        takes 3 to 5 %: less than three 8-bit codes on a mid grey, spread over ten degrees.
    first : int
        Row of the frame that row 0 is.
    """

    rows: Picture
    bare: Picture
    foot: NDArray[np.bool_]
    shadow: NDArray[np.bool_]
    faint: NDArray[np.bool_]
    first: int


def see(
    floor: Floor, stand: Stand, foot: Foot, *, width: int, top_pitch_deg: float = -40.0, noisy: bool = True
) -> Seen:
    """Draw the rows below `top_pitch_deg` of the frame that a camera at `stand` takes of a floor."""
    height = width // 2
    first = int((90 - top_pitch_deg) / 180 * height)
    bare = np.zeros((height - first, width, 3), np.float32)
    rows = bare.copy()
    foot_share = np.zeros((height - first, width), np.float32)
    light = np.zeros_like(foot_share)
    steps = ((-0.25, -0.25), (0.25, 0.25))
    for dx, dy in steps:
        x, y = _floor_point(width, first, dx, dy)
        lit = floor(*_to_metres(x, y, stand)) * _illumination(x, y, stand)[..., None]
        if stand.gloss:
            lit = lit + stand.gloss * _reflection(x, y, stand)[..., None]
        outline = foot.outline(x, y)
        shade = _shadow(x, y, outline, foot, stand)
        inside = np.clip(0.5 - outline / (2 * np.pi / width), 0, 1)[..., None]
        bare += lit / len(steps)
        rows += (lit * shade[..., None] * (1 - inside) + _metal(x, y, outline, foot, stand) * inside) / len(
            steps
        )
        foot_share += inside[..., 0] / len(steps)
        light += shade / len(steps)
    if noisy:
        grain = _sensor_noise(width, first, stand.seed)
        bare = bare + grain * np.sqrt(1e-6 + 1.2e-4 * bare)
        rows = rows + grain * np.sqrt(1e-6 + 1.2e-4 * rows)
    bare_floor = foot_share <= 0.02
    shadow, faint = bare_floor & (light < 0.95), bare_floor & (light < 0.97) & (light >= 0.95)
    return Seen(rows, bare, ~bare_floor, shadow, faint, first)


def _floor_point(width: int, first: int, dx: float, dy: float) -> tuple[Picture, Picture]:
    yaw = np.radians(yaw_of_column(np.arange(width) + dx, width))
    from_nadir = np.radians(90 + pitch_of_row(np.arange(first, width // 2) + dy, width // 2))
    radius = np.tan(from_nadir)[:, None]
    return (radius * np.sin(yaw)).astype(np.float32), (radius * np.cos(yaw)).astype(np.float32)


def _to_metres(x: Picture, y: Picture, stand: Stand) -> tuple[Picture, Picture]:
    # Heading turns clockwise seen from above: forward of the camera lies at yaw `heading` of the room.
    heading = math.radians(stand.heading_deg)
    x_m = np.float32(math.cos(heading)) * x + np.float32(math.sin(heading)) * y
    y_m = np.float32(math.cos(heading)) * y - np.float32(math.sin(heading)) * x
    return x_m * stand.height_m + stand.x_m, y_m * stand.height_m + stand.y_m


def _towards_light(x: Picture, y: Picture, stand: Stand) -> tuple[Picture, Picture]:
    yaw = math.radians(stand.light_yaw_deg - stand.heading_deg)
    sine, cosine = np.float32(math.sin(yaw)), np.float32(math.cos(yaw))
    return x * sine + y * cosine, x * cosine - y * sine


def _illumination(x: Picture, y: Picture, stand: Stand) -> Picture:
    """A window to one side: light falls off away from it."""
    towards, _ = _towards_light(x, y, stand)
    return (1.0 + 0.22 * np.tanh(0.8 * towards)).astype(np.float32)


def _reflection(x: Picture, y: Picture, stand: Stand) -> Picture:
    """Soft mirror image of a window and a lamp, tied to the camera and not to the floor."""
    towards, aside = _towards_light(x, y, stand)
    window = np.exp(-(((towards - 0.45) / 0.22) ** 2 + (aside / 0.3) ** 4))
    lamp = np.exp(-(((towards + 0.12) / 0.09) ** 2 + ((aside - 0.2) / 0.09) ** 2))
    return (window + 0.7 * lamp).astype(np.float32)


def _shadow(x: Picture, y: Picture, outline: Picture, foot: Foot, stand: Stand) -> Picture:
    """Share of light left: ambient light blocked near the foot, and a soft shadow away from the window."""
    radius = math.tan(math.radians(foot.radius_deg))
    away, aside = _towards_light(x, y, stand)
    beyond = np.clip(-away - 0.5 * radius, 0, None)
    soft = 0.5 * radius + 0.4 * beyond
    cast = 0.22 * np.exp(-((aside / soft) ** 2) - beyond / (0.6 * radius)) * (away < -0.5 * radius)
    contact = 0.45 * np.exp(-np.clip(outline, 0, None) / (0.018 / stand.height_m * 1.5))
    return ((1 - contact) * (1 - cast)).astype(np.float32)


def _metal(x: Picture, y: Picture, outline: Picture, foot: Foot, stand: Stand) -> Picture:
    """Dark foot with a lighter ring, and the pole's head over its middle."""
    lean, yaw = math.tan(math.radians(foot.lean_deg)), math.radians(foot.lean_yaw_deg)
    far = np.hypot(x - lean * math.sin(yaw), y - lean * math.cos(yaw))
    towards, _ = _towards_light(x, y, stand)
    plate = 0.045 * (1 + 2.0 * towards) + 0.05 * _groove(outline + 0.02, 0.008)
    head = np.clip((math.tan(math.radians(0.45 * foot.radius_deg)) - far) / 0.003 + 0.5, 0, 1)
    knob = np.clip((math.tan(math.radians(0.16 * foot.radius_deg)) - far) / 0.003 + 0.5, 0, 1)
    shade = plate + (0.10 * (1 + 3 * towards) - plate) * head
    shade = shade + (0.30 - shade) * knob
    return _coloured(np.clip(shade, 0.005, None).astype(np.float32), (1.0, 1.0, 1.03))


def _sensor_noise(width: int, first: int, seed: int) -> Picture:
    """White noise of the camera's picture (equidistant about the nadir), as the stitched frame holds it."""
    height = width // 2
    reach = height - first + 4
    noise = np.random.default_rng(seed).standard_normal((2 * reach, 2 * reach, 3)).astype(np.float32)
    yaw = np.radians(yaw_of_column(np.arange(width), width))
    far = (height - np.arange(first, height) - 0.5)[:, None]
    column = (reach - 0.5 + far * np.sin(yaw)).astype(np.float32)
    row = (reach - 0.5 - far * np.cos(yaw)).astype(np.float32)
    drawn: Picture = cv2.remap(noise, column, row, cv2.INTER_CUBIC)
    return drawn
