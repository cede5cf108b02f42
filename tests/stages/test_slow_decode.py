"""Decode, which streams, keeps and compiles, against the same mathematics written plainly in float64."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from panopipe.colour.dng import Calibration, Camera
from panopipe.frame import FrameKey
from panopipe.stages.decode import Decode, DecodedFrame, DecodeSettings
from panopipe.studies.clipped.edge import edge_gain, held_to_line
from panopipe.studies.clipped.rebuild import SATURATED, TRUSTED, rebuilt_gain
from panopipe.studies.clipped.surroundings import read_map
from tests.makers.dng import CAMERA_A, CAMERA_D65, write_linear_dng

HEIGHT, WIDTH = 64, 128
RANDOM = np.random.default_rng(11)
DEEP = RANDOM.integers(0, 60000, (HEIGHT, WIDTH, 3), dtype=np.uint16)  # TRUSTED of 65535 is 62258
SHALLOW = (DEEP >> 8).astype(np.uint8)
FLOATS = (RANDOM.random((HEIGHT, WIDTH, 3)) * 0.9).astype(np.float32)
NEUTRAL = (0.75, 1, 0.45)
TABLE = np.round(np.linspace(0, 1, 256) ** 2 * 60000).astype(np.uint16)
TILES = {"tile": (24, 48)}

FORMS: dict[str, tuple[np.ndarray, dict[str, Any]]] = {
    "one strip": (DEEP, {}),
    "strips": (DEEP, {"rows_per_strip": 7}),
    "tiles": (DEEP, TILES),
    "big-endian": (DEEP, {"big_endian": True}),
    "planes apart": (DEEP, {"planar": True}),
    "8 bits": (SHALLOW, {"bits": 8}),
    "12 bits": (DEEP >> 4, {"bits": 12}),
    "deflate": (DEEP, {"compression": "deflate", "predictor": 2, **TILES}),
    "LZW": (DEEP, {"compression": "lzw", "predictor": 2}),
    "PackBits": (DEEP, {"compression": "packbits"}),
    "lossless JPEG": (DEEP, {"compression": "ljpeg", **TILES}),
    "lossless JPEG, 14 bits": (DEEP >> 2, {"bits": 14, "compression": "ljpeg"}),
    "JPEG XL": (DEEP, {"compression": "jpegxl", **TILES}),
    "half floats": (FLOATS.astype(np.float16), {}),
    "floats, deflate": (FLOATS, {"compression": "deflate", "predictor": 3, **TILES}),
    "table": (SHALLOW, {"linearization": TABLE, "white": 60000}),
    "levels": (DEEP, {"black": (500, 600, 700), "white": (63000, 64000, 65000), "baseline_exposure_ev": 0.7}),
}


def opened(path: Path) -> DecodedFrame:
    return Decode().open([path], FrameKey("", "frame"), DecodeSettings())


def working_from_camera() -> np.ndarray:
    lights = ((2850.0, CAMERA_A), (6500.0, CAMERA_D65))
    camera = Camera(tuple(Calibration(kelvin, matrix, np.eye(3)) for kelvin, matrix in lights), np.ones(3))
    return camera.working_from_camera(camera.white_xy(NEUTRAL))


def written(path: Path, samples: np.ndarray, form: dict[str, Any]) -> Path:
    two = {"color_matrix_1": CAMERA_A, "illuminant_1": 17, "color_matrix_2": CAMERA_D65, "illuminant_2": 21}
    return write_linear_dng(path, samples, as_shot_neutral=NEUTRAL, **two, **form)


@pytest.mark.parametrize("form", FORMS)
def test_light_of_every_form(tmp_path: Path, form: str) -> None:
    """Light up to 2; a float32 product of that size is right to 1e-6."""
    samples, how = FORMS[form]
    path = written(tmp_path / "a.dng", samples, how)
    linear = (TABLE[samples] if form == "table" else samples).astype(np.float64)
    full = 1.0 if samples.dtype.kind == "f" else 2.0 ** how.get("bits", 8 * samples.dtype.itemsize) - 1
    black, white = np.array(how.get("black", 0.0)), np.array(how.get("white", full))
    slow = (linear - black) / (white - black) @ working_from_camera().T
    slow *= 2.0 ** how.get("baseline_exposure_ev", 0.0)
    with opened(path) as frame:
        slow = np.roll(slow, -frame.facts.anchor_column, axis=1)
        fast = np.concatenate([frame.read(row, min(row + 5, HEIGHT)) for row in range(0, HEIGHT, 5)])
        assert np.abs(fast - slow).max() < 2e-6
        reduced = slow.reshape(HEIGHT, WIDTH // 4, 4, 3).mean(axis=2).reshape(HEIGHT // 4, 4, WIDTH // 4, 3)
        edges = np.cos(np.pi * np.arange(HEIGHT + 1) / HEIGHT)
        weight = (edges[:-1] - edges[1:]).reshape(HEIGHT // 4, 4, 1, 1)
        mean = (reduced * weight).sum(axis=1) / weight.sum(axis=1)
        assert np.abs(frame.reduced(WIDTH // 4) - mean).max() < 2e-6


def test_clipped_light_wherever_it_lies(tmp_path: Path) -> None:
    """Lamps at the seam, at both poles and in a row, rebuilt over the whole frame at once."""
    samples = (DEEP * 0.5).astype(np.uint16)
    for rows, columns in (
        (slice(0, 2), slice(None)),
        (slice(20, 30), slice(0, 4)),
        (slice(61, 64), slice(9)),
    ):
        samples[rows, columns] = 65535
    samples[40, ::5] = (65535, 63500, 40000)
    with opened(written(tmp_path / "a.dng", samples, {})) as frame:
        assert frame._chunks is not None
        lacking = lacking_slowly(samples, frame)
        slow = (samples / 65535 + lacking) @ working_from_camera().T
        fast = np.concatenate([frame.read(row, min(row + 7, HEIGHT)) for row in range(0, HEIGHT, 7)])
        assert np.count_nonzero(lacking.any(axis=2)) > 500
        assert np.abs(fast - np.roll(slow, -frame.facts.anchor_column, axis=1)).max() < 1e-5


def lacking_slowly(samples: np.ndarray, frame: DecodedFrame) -> np.ndarray:
    """What pixels lack, of a frame continued by five pixels around the sides and over the poles."""
    assert frame._chunks is not None
    rebuilder, pad = frame._chunks._rebuilder, 5
    share = closed(samples / 65535, pad)
    tall, wide = share.shape[:2]
    doubted, full = (share > TRUSTED).any(axis=2), (share >= SATURATED).all(axis=2)
    gain = np.zeros_like(share)
    around = [closed(plane, pad) for plane in surroundings(rebuilder, frame.facts.anchor_column)]
    lights = rebuilder.lights
    given = (share[doubted], *(plane[doubted] for plane in around), lights.neutral)
    gain[doubted] = rebuilt_gain(*given, share_of_red=lights.share_of_red, highest=lights.highest)
    gain[full] = lights.highest * lights.neutral - share[full]
    near = {mask: np.zeros((tall, wide), bool) for mask in ("doubted", "full")}
    for down in range(-2, 3):
        for right in range(-2, 3):
            near["doubted"] |= np.roll(doubted, (down, right), (0, 1))
            near["full"] |= np.roll(full, (down, right), (0, 1))
    edge = (near["doubted"] & ~doubted) | (near["full"] & ~full)
    edge[:pad] = edge[-pad:] = False
    edge[:, :pad] = edge[:, -pad:] = False
    index = np.where(doubted, np.cumsum(doubted).reshape(tall, wide) - 1, -1)
    added, window = edge_gain(share.reshape(-1, 3), wide, index.ravel(), np.flatnonzero(edge), gain[doubted])
    wanted = np.maximum(gain[edge], added)
    gain[edge] = held_to_line(share[edge], gain[edge], wanted, window, around[1][edge], lights)
    return gain[pad:-pad, pad:-pad]


def surroundings(rebuilder: Any, anchor: int) -> list[np.ndarray]:
    """Warmth and tint at every pixel of the file."""
    rows, columns = np.divmod(np.arange(HEIGHT * WIDTH), WIDTH)
    found = read_map(rebuilder.surroundings.warmth_tint, rows, (columns - anchor) % WIDTH, WIDTH)
    return [plane.reshape(HEIGHT, WIDTH) for plane in found]


def closed(frame: np.ndarray, pad: int) -> np.ndarray:
    """A frame continued around the sides, and over the poles by the half-turn rule."""
    over = [np.roll(rows[::-1], WIDTH // 2, axis=1) for rows in (frame[:pad], frame[-pad:])]
    tall = np.concatenate([over[0], frame, over[1]])
    return np.concatenate([tall[:, -pad:], tall, tall[:, :pad]], axis=1)
