"""Generated floors with a rug laid over them, and tiles that repeat otherwise than squares do."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from tests.scenes.floors import (
    Floor,
    Picture,
    _boards,
    _coloured,
    _groove,
    _turned,
    cell_noise,
    planks,
    striped_rug,
    value_noise,
)


def _over(below: Floor, cloth: Floor, inward: Callable[[Picture, Picture], Picture]) -> Floor:
    """A cloth on a floor, where `inward` (metres from its edge) is positive, with the shadow of its edge."""

    def floor(x: Picture, y: Picture) -> Picture:
        far = inward(x, y)
        on = np.clip(far / 0.002 + 0.5, 0, 1)[..., None]
        shadow = 1 - 0.3 * np.exp(-np.clip(-far, 0, None) / 0.01)[..., None] * (1 - on)
        return (below(x, y) * shadow * (1 - on) + cloth(x, y) * on).astype(np.float32)

    return floor


def terracotta(angle_deg: float = -9, side_m: float = 0.28, seed: int = 31) -> Floor:
    """Hand-made squares, each of its own tone and slightly cloudy, with wide pale joints."""

    def floor(x: Picture, y: Picture) -> Picture:
        along, across = _turned(x, y, angle_deg)
        i, j = np.floor(along / side_m), np.floor(across / side_m)
        u, v = along - (i + 0.5) * side_m, across - (j + 0.5) * side_m
        inside = np.maximum(np.abs(u), np.abs(v)) - side_m / 2 + 0.004
        joint = np.clip(inside / 0.002 + 0.5, 0, 1)[..., None]
        shade = (
            1
            + 0.12 * cell_noise(i, j, seed)
            + 0.05 * value_noise(x, y, 0.05, seed + 1)
            + 0.04 * value_noise(x, y, 0.008, seed + 2)
        )
        warm = 0.08 * cell_noise(i, j, seed + 3)
        tile = _coloured(shade, (0.38, 0.17, 0.09)) * np.stack([1 + warm, 1 + 0 * warm, 1 - warm], -1)
        grout = _coloured(1 + 0.08 * value_noise(x, y, 0.004, seed + 4), (0.42, 0.36, 0.28))
        return (tile + (grout - tile) * joint).astype(np.float32)

    return floor


def chequered(angle_deg: float = 37, side_m: float = 0.2, seed: int = 32) -> Floor:
    """Black and white squares in turn, with thin grey joints."""

    def floor(x: Picture, y: Picture) -> Picture:
        along, across = _turned(x, y, angle_deg)
        i, j = np.floor(along / side_m), np.floor(across / side_m)
        u, v = along - (i + 0.5) * side_m, across - (j + 0.5) * side_m
        joint = np.clip((np.maximum(np.abs(u), np.abs(v)) - side_m / 2 + 0.0015) / 0.001 + 0.5, 0, 1)
        dark = np.mod(i + j, 2)
        shade = 1 + 0.03 * cell_noise(i, j, seed) + 0.03 * value_noise(x, y, 0.04, seed + 1)
        tile = _coloured(shade * (0.50 - 0.455 * dark), (1.0, 0.98, 0.93))
        return (tile + (np.float32(0.22) - tile) * joint[..., None]).astype(np.float32)

    return floor


def block_parquet(angle_deg: float = 21, side_m: float = 0.24, seed: int = 33) -> Floor:
    """Squares of five staves each, laid in turn along and across."""

    def floor(x: Picture, y: Picture) -> Picture:
        along, across = _turned(x, y, angle_deg)
        i, j = np.floor(along / side_m), np.floor(across / side_m)
        u, v = along - i * side_m, across - j * side_m
        lying = np.mod(i + j, 2) < 0.5
        length, width = np.where(lying, u, v), np.where(lying, v, u)
        stave_m = side_m / 5
        stave = np.floor(width / stave_m)
        inner = width - stave * stave_m
        gap = np.clip(
            _groove(inner, 0.002)
            + _groove(inner - stave_m, 0.002)
            + _groove(length, 0.003)
            + _groove(length - side_m, 0.003),
            0,
            1,
        )
        tone = 0.07 * cell_noise(5 * i + stave, j, seed) + 0.05 * lying
        grain = value_noise(
            length * 0.07 + 3 * cell_noise(5 * i + stave, j, seed + 1), inner, 0.005, seed + 2
        )
        return _coloured((1 + tone + 0.04 * grain) * (1 - 0.5 * gap), (0.33, 0.21, 0.12))

    return floor


def grey_boards(angle_deg: float = 52, seed: int = 34) -> Floor:
    """Weathered wide boards of grey, close in tone."""

    def floor(x: Picture, y: Picture) -> Picture:
        along, across = _turned(x, y, angle_deg)
        shade, gap = _boards(along, across, board_m=0.19, length_m=2.4, gap_m=0.005, spread=0.06, seed=seed)
        return _coloured(shade * (1 - 0.7 * gap), (0.33, 0.33, 0.32))

    return floor


def slate(angle_deg: float = 45, side_m: float = 0.4, seed: int = 35) -> Floor:
    """Large dark squares, cloudy, with thin pale joints."""

    def floor(x: Picture, y: Picture) -> Picture:
        along, across = _turned(x, y, angle_deg)
        i, j = np.floor(along / side_m), np.floor(across / side_m)
        u, v = along - (i + 0.5) * side_m, across - (j + 0.5) * side_m
        joint = np.clip((np.maximum(np.abs(u), np.abs(v)) - side_m / 2 + 0.002) / 0.001 + 0.5, 0, 1)[
            ..., None
        ]
        shade = (
            1
            + 0.06 * cell_noise(i, j, seed)
            + 0.08 * value_noise(x, y, 0.12, seed + 1)
            + 0.05 * value_noise(x, y, 0.015, seed + 2)
        )
        tile = _coloured(shade, (0.13, 0.14, 0.15))
        return (tile + (np.float32(0.30) - tile) * joint).astype(np.float32)

    return floor


def _plain_cloth(colour: tuple[float, float, float], seed: int) -> Floor:
    def cloth(x: Picture, y: Picture) -> Picture:
        shade = 1 + 0.06 * value_noise(x, y, 0.004, seed) + 0.03 * value_noise(x, y, 0.02, seed + 1)
        return _coloured(shade, colour)

    return cloth


def round_rug(radius_m: float = 0.8, aside_m: float = 0.03, seed: int = 36) -> Floor:
    """A round rug with rings near its edge, on planks; its edge passes `aside_m` from the origin."""
    yaw = math.radians(200)
    centre = (radius_m + aside_m) * np.array((math.sin(yaw), math.cos(yaw)))
    plain = _plain_cloth((0.16, 0.24, 0.24), seed)

    def inward(x: Picture, y: Picture) -> Picture:
        return np.asarray(radius_m - np.hypot(x - centre[0], y - centre[1]), np.float32)

    def cloth(x: Picture, y: Picture) -> Picture:
        ring = np.maximum(_groove(inward(x, y) - 0.05, 0.03), _groove(inward(x, y) - 0.12, 0.012))
        light = plain(x, y)
        return light + (np.array((0.48, 0.44, 0.35), np.float32) - light) * 0.9 * ring[..., None]

    return _over(planks(angle_deg=75, seed=seed), cloth, inward)


def _straight(edge_m: float, angle_deg: float) -> Callable[[Picture, Picture], Picture]:
    return lambda x, y: np.asarray(_turned(x, y, angle_deg)[1] - np.float32(edge_m), np.float32)


def rug_on_parquet() -> Floor:
    """A striped rug over block parquet; the stripes end at its edge."""
    return _over(block_parquet(), striped_rug(angle_deg=14 + 90), _straight(0.02, 14))


def runner_on_slate(seed: int = 37) -> Floor:
    """A runner with chevrons and a pale border on slate."""

    def cloth(x: Picture, y: Picture) -> Picture:
        along, across = _turned(x, y, -20)
        inward = across - 0.04
        light = _plain_cloth((0.07, 0.12, 0.13), seed)(x, y)
        chevron = _groove(np.mod(along + np.abs(inward - 0.35), 0.22) - 0.11, 0.03) * (inward > 0.12)
        light = light + (np.array((0.42, 0.22, 0.05), np.float32) - light) * chevron[..., None]
        border = np.maximum(_groove(inward - 0.05, 0.02), _groove(inward - 0.09, 0.008))
        return light + (np.array((0.50, 0.48, 0.38), np.float32) - light) * border[..., None]

    return _over(slate(), cloth, _straight(0.04, -20))


def rug_beside_planks() -> Floor:
    """A plain rug with a thin hem, aslant on planks."""
    return _over(planks(angle_deg=8, seed=38), _plain_cloth((0.30, 0.10, 0.07), 39), _straight(-0.03, 61))


LAID: dict[str, Callable[[], Floor]] = {
    "terracotta": terracotta,
    "chequered": chequered,
    "block parquet": block_parquet,
    "grey boards": grey_boards,
    "round rug": round_rug,
    "rug on parquet": rug_on_parquet,
    "runner on slate": runner_on_slate,
    "plain rug": rug_beside_planks,
}
