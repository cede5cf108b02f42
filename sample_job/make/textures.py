"""Surfaces of the house as pictures: planks, tiles, rug, carpet, cloth and the like, drawn with numpy.

Every function returns float32 (rows, columns, 3), linear Rec.709 reflectance, and tiles without a join
unless it says otherwise. Seeds are fixed: the same house every time.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]


def cloud(height: int, width: int, *, cells: tuple[int, int], octaves: int, seed: int) -> Picture:
    """Tiling fractal noise of zero mean and unit deviation; `cells` (rows, columns) of the first octave."""
    random = np.random.default_rng(seed)
    total = np.zeros((height, width), np.float32)
    for octave in range(octaves):
        rows, columns = min(cells[0] << octave, height), min(cells[1] << octave, width)
        total += _spread(random.standard_normal((rows, columns)), height, width) * 0.55**octave
    return ((total - total.mean()) / total.std()).astype(np.float32)


def _spread(values: NDArray[np.float64], height: int, width: int) -> Picture:
    """Enlarge a tiling grid smoothly, a Hermite curve between its values."""
    for axis, size in ((0, height), (1, width)):
        cells = values.shape[axis]
        place = np.arange(size) * cells / size
        low = np.floor(place).astype(int)
        part = place - low
        part = part * part * (3 - 2 * part)
        part = part[:, None] if axis == 0 else part[None, :]
        first, second = np.take(values, low % cells, axis), np.take(values, (low + 1) % cells, axis)
        values = first + (second - first) * part
    return values.astype(np.float32)


def _tint(colour: tuple[float, float, float], value: Picture) -> Picture:
    return (np.asarray(colour, np.float32) * value[..., None]).astype(np.float32)


def wood(size: int = 1024, *, seed: int = 1, contrast: float = 1.0) -> Picture:
    """Grain along the columns' axis (left to right), mean 1; multiply by a colour."""
    warp = cloud(size, size, cells=(6, 2), octaves=4, seed=seed)
    rows = np.arange(size, dtype=np.float32)[:, None] / size
    rings = np.sin(2 * np.pi * (22 * rows + 0.9 * warp))
    fibre = cloud(size, size, cells=(256, 5), octaves=2, seed=seed + 1)
    broad = cloud(size, size, cells=(5, 2), octaves=3, seed=seed + 2)
    value = 1 + contrast * (0.055 * rings + 0.075 * fibre + 0.07 * broad)
    return _tint((1, 1, 1), np.clip(value, 0.3, 1.6))


def planks(
    size: int = 2048,
    *,
    metres: float = 5.12,
    width: float = 0.16,
    colour: tuple[float, float, float] = (0.42, 0.26, 0.14),
    gap: float = 0.0022,
    spread: float = 0.13,
    seed: int = 11,
) -> Picture:
    """Boards laid left to right with staggered ends; `width` and `gap` in metres."""
    random = np.random.default_rng(seed)
    count = round(metres / width)
    grain = wood(size, seed=seed, contrast=1.0)[..., 0]
    fine = cloud(size, size, cells=(512, 24), octaves=2, seed=seed + 5)
    picture = np.zeros((size, size, 3), np.float32)
    column = (np.arange(size) + 0.5) * metres / size
    edges = np.round(np.arange(count + 1) * size / count).astype(int)
    for board in range(count):
        first, last = edges[board], edges[board + 1]
        joints = (
            np.sort(np.cumsum(random.uniform(1.1, 2.1, 4)) * metres / 6.6 + random.uniform(0, metres))
            % metres
        )
        joints.sort()
        piece = np.searchsorted(joints, column) % len(joints)
        tone = 1 + spread * random.standard_normal(len(joints))
        warm = 1 + 0.045 * random.standard_normal((len(joints), 1)) * np.array([[1.0, 0.1, -1.0]])
        shift = random.integers(0, size, len(joints))
        rows = np.arange(first, last)
        pattern = np.empty((last - first, size), np.float32)
        for index in range(len(joints)):
            here = piece == index
            source = (rows + shift[index]) % size
            pattern[:, here] = np.roll(grain, shift[index] * 7, axis=1)[source][:, here]
        across = np.abs(rows - (first + last - 1) / 2) * metres / size
        side = np.clip((width / 2 - across) / max(gap, 1e-6), 0, 1)
        ends = np.min(np.abs(column[:, None] - joints[None, :]), axis=1)
        end = np.clip(ends / max(gap, 1e-6), 0, 1)
        seam = 0.25 + 0.75 * np.minimum(side[:, None], end[None, :])
        value = pattern * tone[piece][None, :] * (1 + 0.03 * fine[first:last])
        picture[first:last] = value[..., None] * warm[piece][None] * seam[..., None]
    return np.clip(picture * np.asarray(colour, np.float32), 0.004, 0.9).astype(np.float32)


def square_tiles(
    size: int = 2048,
    *,
    metres: float = 3.2,
    side: float = 0.4,
    colour: tuple[float, float, float] = (0.36, 0.32, 0.27),
    grout: tuple[float, float, float] = (0.20, 0.18, 0.16),
    joint: float = 0.004,
    seed: int = 21,
) -> Picture:
    """Stone tiles in a square grid, each cut from another part of the stone."""
    random = np.random.default_rng(seed)
    count = round(metres / side)
    stone = cloud(size, size, cells=(14, 14), octaves=6, seed=seed)
    veins = np.exp(-np.abs(cloud(size, size, cells=(5, 5), octaves=5, seed=seed + 1)) * 14)
    picture = np.empty((size, size, 3), np.float32)
    step = size // count
    place = (np.arange(step) + 0.5) * side / step
    inside = np.clip((np.minimum(place, side - place) - joint / 2) / 0.002, 0, 1)
    face = np.minimum(inside[:, None], inside[None, :])[..., None]
    for row in range(count):
        for column in range(count):
            y, x = random.integers(0, size - step, 2)
            value = 1 + 0.085 * stone[y : y + step, x : x + step] + 0.11 * veins[y : y + step, x : x + step]
            tile = _tint(colour, value.astype(np.float32)) * (1 + 0.045 * random.standard_normal())
            whole = tile * face + np.asarray(grout, np.float32) * (1 - face)
            picture[row * step : (row + 1) * step, column * step : (column + 1) * step] = whole
    return np.clip(picture, 0.01, 0.9)


def hexagons(size: int = 2048, *, across: int = 16, seed: int = 31) -> tuple[Picture, float]:
    """Hexagonal tiles in three tones; returns the picture and its height over its width."""
    rows = 2 * round(across / np.sqrt(3))
    y, x = np.mgrid[0:size, 0:size].astype(np.float64)
    x, y = (x + 0.5) * across / size, (y + 0.5) * rows / size
    scale = np.sqrt(3) / 2
    best = np.full((size, size), 9.0)
    second = np.full((size, size), 9.0)
    owner = np.zeros((size, size), np.int64)
    base = np.floor(y).astype(int)
    for step in (-1, 0, 1, 2):
        row = base + step
        shift = 0.5 * (row % 2)
        near = np.round(x - shift)
        for beside in (-1, 0, 1):
            column = near + beside
            distance = np.hypot(x - column - shift, (y - row) * scale)
            closer = distance < best
            second = np.where(closer, best, np.minimum(second, distance))
            owner = np.where(closer, (row % rows) * across + (column.astype(int) % across), owner)
            best = np.where(closer, distance, best)
    random = np.random.default_rng(seed)
    tones = np.array([[0.62, 0.62, 0.60], [0.30, 0.34, 0.34], [0.075, 0.085, 0.09]])
    tile_row, tile_column = np.divmod(np.arange(rows * across), across)
    kind = np.where(
        (tile_row % 3 == 0) & (tile_column % 4 == 0), 2, np.where((tile_column + tile_row) % 5 == 2, 1, 0)
    )
    colours = tones[kind] * (1 + 0.05 * random.standard_normal((rows * across, 1)))
    mottle = 1 + 0.03 * cloud(size, size, cells=(40, 40), octaves=4, seed=seed)
    edge = np.clip((second - best - 0.035) / 0.02, 0, 1)[..., None]
    picture = colours[owner] * mottle[..., None] * edge + np.array([0.34, 0.33, 0.31]) * (1 - edge)
    return np.clip(picture, 0.01, 0.9).astype(np.float32), float(rows * scale / across)


def wall_tiles(size: int = 1024, *, across: int = 6, down: int = 12, seed: int = 41) -> Picture:
    """White glazed tiles, half bond, twice as wide as high; neutral."""
    y, x = np.mgrid[0:size, 0:size].astype(np.float64)
    y = y * down / size
    row = np.floor(y)
    x = x * across / size + 0.5 * (row % 2)
    away = np.minimum(np.minimum(x % 1, 1 - x % 1) * 2, np.minimum(y % 1, 1 - y % 1))
    face = np.clip((away - 0.018) / 0.02, 0, 1)
    tone = np.random.default_rng(seed).normal(1, 0.012, (down, across))
    tile = tone[row.astype(int) % down, np.floor(x).astype(int) % across]
    return _tint((1, 1, 1), (0.80 * tile * face + 0.52 * (1 - face)).astype(np.float32))


def rug(height: int = 696, width: int = 984, *, seed: int = 51) -> Picture:
    """A woven rug with a border and a field of lozenges; does not tile."""
    y, x = np.mgrid[0:height, 0:width].astype(np.float64)
    cell = 82.0
    u, v = (x - width / 2) / cell, (y - height / 2) / cell
    lozenge = np.abs((u + 0.5) % 1 - 0.5) + np.abs((v + 0.5) % 1 - 0.5)
    wine, sand = np.array([0.20, 0.035, 0.03]), np.array([0.55, 0.45, 0.31])
    ink, sage = np.array([0.035, 0.05, 0.095]), np.array([0.20, 0.23, 0.15])
    odd = ((np.floor(u + 0.5) + np.floor(v + 0.5)) % 2)[..., None]
    field = np.where(lozenge[..., None] < 0.5, wine * (1 - odd) + ink * odd, wine * 0.85)
    field = np.where(np.abs(lozenge - 0.5)[..., None] < 0.035, sand, field)
    field = np.where(lozenge[..., None] < 0.27, sage * (1 - odd) + wine * 1.2 * odd, field)
    field = np.where(lozenge[..., None] < 0.09, sand, field)
    edge = np.minimum(np.minimum(x, width - 1 - x), np.minimum(y, height - 1 - y))[..., None]
    along = np.where(
        np.minimum(x, width - 1 - x) < np.minimum(y, height - 1 - y), y - height / 2, x - width / 2
    )
    wave = np.abs((along / 30) % 1 - 0.5)[..., None] * 2
    band = np.where(np.abs(edge - 44 - 22 * (wave - 0.5)) < 6, sand, ink)
    field = np.where(edge < 78, band, field)
    field = np.where((edge < 86) & (edge >= 78), sand, field)
    field = np.where(edge < 12, sand * 0.9, field)
    knots = 1 + 0.10 * (((x.astype(int) // 2) + (y.astype(int) // 2)) % 2 - 0.5)
    worn = 1 + 0.06 * cloud(height, width, cells=(8, 12), octaves=4, seed=seed)
    random = np.random.default_rng(seed)
    thread = 1 + 0.10 * random.standard_normal((height, width))
    return np.clip(field * (knots * worn * thread)[..., None], 0.008, 0.9).astype(np.float32)


def carpet(
    size: int = 1024, *, colour: tuple[float, float, float] = (0.40, 0.35, 0.29), seed: int = 61
) -> Picture:
    """Plain looped wool."""
    loop = cloud(size, size, cells=(190, 190), octaves=2, seed=seed)
    broad = cloud(size, size, cells=(4, 4), octaves=3, seed=seed + 1)
    return np.clip(_tint(colour, 1 + 0.14 * loop + 0.025 * broad), 0.02, 0.9)


def weave(size: int = 512, *, seed: int = 71, depth: float = 0.12) -> Picture:
    """Plain-woven cloth, mean 1; multiply by a colour."""
    y, x = np.mgrid[0:size, 0:size]
    over = ((x // 4 + y // 4) % 2) * 2 - 1
    slub = cloud(size, size, cells=(128, 6), octaves=2, seed=seed) + cloud(
        size, size, cells=(6, 128), octaves=2, seed=seed + 1
    )
    return _tint((1, 1, 1), (1 + depth * (0.45 * over + 0.28 * slub)).astype(np.float32))


def grass(size: int = 1024, *, seed: int = 81) -> Picture:
    """Mown lawn, with a little clover and dry patches."""
    fine = cloud(size, size, cells=(200, 200), octaves=2, seed=seed)
    broad = cloud(size, size, cells=(5, 5), octaves=5, seed=seed + 1)
    green, dry = np.array([0.065, 0.115, 0.026]), np.array([0.14, 0.135, 0.055])
    part = np.clip(0.3 + 0.22 * broad, 0, 1)[..., None]
    return np.clip((green * (1 - part) + dry * part) * (1 + 0.34 * fine)[..., None], 0.006, 0.5).astype(
        np.float32
    )


def plaster(size: int = 1024, *, seed: int = 91) -> Picture:
    """Height of a rolled wall paint, mean .5."""
    fine = cloud(size, size, cells=(120, 120), octaves=3, seed=seed)
    return _tint((1, 1, 1), np.clip(0.5 + 0.12 * fine, 0, 1))


def painting(kind: int, height: int = 384, width: int = 512) -> Picture:
    """An abstract picture of our own, one of several kinds."""
    y, x = np.mgrid[0:height, 0:width].astype(np.float64)
    u, v = x / width, y / height
    rough = cloud(height, width, cells=(6, 8), octaves=6, seed=100 + kind)
    brush = 1 + 0.08 * cloud(height, width, cells=(90, 10), octaves=2, seed=200 + kind)
    picture = np.empty((height, width, 3))
    if kind % 3 == 0:  # hills under a pale sky
        picture[:] = np.array([0.62, 0.60, 0.52]) * (0.8 + 0.3 * v)[..., None]
        hills = [
            (0.42, (0.30, 0.36, 0.38)),
            (0.55, (0.14, 0.21, 0.23)),
            (0.70, (0.36, 0.22, 0.09)),
            (0.84, (0.09, 0.09, 0.07)),
        ]
        for index, (level, colour) in enumerate(hills):
            ridge = (
                level
                + 0.06 * np.sin(2 * np.pi * (u * (1.1 + 0.4 * index) + 0.31 * index * (kind + 1)))
                + 0.012 * rough
            )
            picture = np.where((v > ridge)[..., None], np.asarray(colour), picture)
    elif kind % 3 == 1:  # discs
        picture[:] = [0.58, 0.53, 0.45]
        discs = [
            (0.36, 0.45, 0.27, (0.45, 0.10, 0.04)),
            (0.62, 0.58, 0.22, (0.03, 0.09, 0.13)),
            (0.55, 0.27, 0.10, (0.55, 0.36, 0.08)),
        ]
        for cu, cv, radius, colour in discs:
            away = np.hypot((u - cu) * width / height, v - cv) + 0.004 * rough
            picture = np.where(
                (away < radius)[..., None], 0.75 * np.asarray(colour) + 0.25 * picture * colour, picture
            )
    else:  # fields of colour
        picture[:] = [0.07, 0.12, 0.16]
        fields = [
            (0.10, 0.48, (0.50, 0.27, 0.07)),
            (0.52, 0.66, (0.55, 0.50, 0.42)),
            (0.70, 0.92, (0.10, 0.20, 0.19)),
        ]
        for top, bottom, colour in fields:
            soft = np.clip((v - top + 0.01 * rough) / 0.02, 0, 1) * np.clip(
                (bottom - v + 0.01 * rough) / 0.02, 0, 1
            )
            soft = soft * np.clip((u - 0.07) / 0.02, 0, 1) * np.clip((0.93 - u) / 0.02, 0, 1)
            picture = picture * (1 - soft[..., None]) + np.asarray(colour) * soft[..., None]
    return np.clip(picture * brush[..., None], 0.01, 0.85).astype(np.float32)
