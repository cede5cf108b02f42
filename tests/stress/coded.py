"""Damage inside samples: every case fails with its line, or has a finding; sound frames have neither."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from PIL import Image

from panopipe.files.picture import open_picture
from panopipe.frame import FrameKey
from panopipe.stages.decode import Decode, DecodeSettings
from tests.makers.dng import write_linear_dng

ORIGINALS = Path(__file__).parents[2] / "sample_job/originals"
SEEN_CODES = 8
"""A part of the picture that differs by less than this many of 255 codes is not seen (about 3 delta E)."""

DNG_FORMS: dict[str, dict[str, Any]] = {
    "plain strip": {},
    "plain strips": {"rows_per_strip": 16},
    "plain tiles": {"tile": (128, 128)},
    "lossless JPEG strip": {"compression": "ljpeg"},
    "lossless JPEG tiles": {"compression": "ljpeg", "tile": (128, 128)},
    "lossy JPEG strip": {"compression": "jpeg"},
    "lossy JPEG tiles": {"compression": "jpeg", "tile": (128, 128)},
    "deflate tiles": {"compression": "deflate", "predictor": 2, "tile": (128, 128)},
    "LZW strips": {"compression": "lzw", "rows_per_strip": 16},
    "PackBits strips": {"compression": "packbits", "rows_per_strip": 16},
    "JPEG XL tiles": {"compression": "jpegxl", "tile": (128, 128)},
    "JPEG XL strip": {"compression": "jpegxl"},
}
PICTURES = ("JPEG", "JPEG progressive", "JPEG 4:2:0", "PNG")


def damage_coded(room: Path, count: int, seed: int = 1, sound: int = 100) -> list[str]:
    """Damage `count` frames over all codings, look at `sound` whole ones; return the lines of the table."""
    chance, tally, examples = random.Random(seed), Counter[str](), list[str]()
    scenes = [_scene(path) for path in sorted(ORIGINALS.rglob("*.dng"))]
    names = [*DNG_FORMS, *PICTURES]
    for number in range(sound):
        path = _write(room, names[number % len(names)], scenes[number % len(scenes)])
        told, _ = _told(path)
        tally["sound frames"] += 1
        tally["sound frames refused"] += told.startswith("refused")
        tally["sound frames with a finding"] += told.startswith("finding")
        if told:
            examples.append(f"sound {names[number % len(names)]}: {told}")
    for number in range(count):
        name = names[number % len(names)]
        path = _write(room, name, chance.choice(scenes))
        _, whole = _told(path)
        kind = chance.choice([one for one in _KINDS if one != "one bit" or "lossless" in name])
        _damage(path, kind, chance)
        told, light = _told(path)
        tally["damaged frames"] += 1
        tally["... refused"] += told.startswith("refused")
        tally["... with a finding"] += told.startswith("finding")
        if not told:
            share = _seen_percent(whole, light)
            what = "with nothing to be seen" if share == 0 else "finished as fine, and to be seen"
            tally[f"... {what}"] += 1
            if share:
                examples.append(f"{name}, {kind}: {share:.3f} % of the pixels")
    return [f"{what:34} {found:6}" for what, found in tally.items()] + [f"example: {one}" for one in examples]


def _scene(path: Path) -> np.ndarray:
    """Middle of the range of a frame's samples, 512 pixels wide."""
    samples = open_picture(path).samples
    rows = samples.rows(0, samples.height)
    step = samples.width // 512
    return np.ascontiguousarray(rows[::step, ::step]).astype(np.uint16)


def _write(room: Path, name: str, scene: np.ndarray) -> Path:
    if name in DNG_FORMS:
        form = DNG_FORMS[name]
        codes = (np.sqrt(scene / 65535) * 255).astype(np.uint8)
        return write_linear_dng(room / "a.dng", codes if form.get("compression") == "jpeg" else scene, **form)
    picture = Image.fromarray((np.sqrt(scene / 65535) * 255).astype(np.uint8))
    if name == "PNG":
        picture.save(room / "a.png")
        return room / "a.png"
    picture.save(
        room / "a.jpg", quality=92, progressive="progressive" in name, subsampling=2 if "4:2:0" in name else 0
    )
    return room / "a.jpg"


def _told(path: Path) -> tuple[str, np.ndarray]:
    """What is said of a frame, and its light."""
    try:
        with Decode().open([path], FrameKey("a", "b"), DecodeSettings(clipped="as-recorded")) as frame:
            said = " ".join(frame.review_reasons)
            light = np.roll(frame.read(0, frame.facts.height), frame.facts.anchor_column, axis=1)
            return f"finding: {said}" if said else "", light
    except (ValueError, OSError) as error:
        return f"refused: {error}", np.empty(0)


def _seen_percent(whole: np.ndarray, light: np.ndarray) -> float:
    """Share of the pixels that differ so that it can be seen, in codes of a display."""
    codes = [255 * np.clip(one, 0, 1) ** (1 / 2.2) for one in (whole, light)]
    return float(100 * np.mean(np.abs(codes[0] - codes[1]).max(2) > SEEN_CODES))


def _segments(path: Path) -> list[tuple[int, int]]:
    """Place and length of each coded part of a file."""
    if path.suffix != ".dng":
        size = path.stat().st_size
        data = path.read_bytes()
        start = data.rfind(b"\xff\xda") + 14 if path.suffix == ".jpg" else data.find(b"IDAT") + 4
        return [(start, size - start)]
    with tifffile.TiffFile(path) as tiff:
        page = max(tiff.pages, key=lambda page: page.size)
        return list(zip(page.dataoffsets, page.databytecounts, strict=True))


def _damage(path: Path, kind: str, chance: random.Random) -> None:
    held = bytearray(path.read_bytes())
    segments = _segments(path)
    at, count = chance.choice(segments)
    part = bytearray(held[at : at + count])
    other = chance.choice(segments)
    _KINDS[kind](part, chance, bytes(held[other[0] : other[0] + other[1]]))
    held[at : at + count] = part[:count].ljust(count, b"\0")
    path.write_bytes(held)


def _zeros(part: bytearray, _chance: random.Random, _other: bytes) -> None:
    part[:] = bytes(len(part))


def _zero_tail(part: bytearray, _chance: random.Random, _other: bytes) -> None:
    half = len(part) // 2
    part[half:] = bytes(len(part) - half)


def _piece(part: bytearray, chance: random.Random) -> slice:
    size = min(chance.choice([512, 1024, 4096]), max(1, len(part) // 2))
    start = chance.randrange(len(part) - size + 1)
    return slice(start, start + size)


def _hole(part: bytearray, chance: random.Random, _other: bytes) -> None:
    piece = _piece(part, chance)
    part[piece] = bytes(piece.stop - piece.start)


def _ones(part: bytearray, chance: random.Random, _other: bytes) -> None:
    piece = _piece(part, chance)
    part[piece] = b"\xff" * (piece.stop - piece.start)


def _noise(part: bytearray, chance: random.Random, _other: bytes) -> None:
    piece = _piece(part, chance)
    part[piece] = chance.randbytes(piece.stop - piece.start)


def _bit(part: bytearray, chance: random.Random, _other: bytes) -> None:
    part[chance.randrange(len(part))] ^= 1 << chance.randrange(8)


def _another(part: bytearray, _chance: random.Random, other: bytes) -> None:
    part[:] = other


def _missing(part: bytearray, chance: random.Random, _other: bytes) -> None:
    del part[_piece(part, chance)]


_KINDS: dict[str, Callable[[bytearray, random.Random, bytes], None]] = {
    "all zeros": _zeros,
    "zeros from the middle on": _zero_tail,
    "a hole": _hole,
    "a piece of ones": _ones,
    "noise": _noise,
    "one bit": _bit,
    "another's bytes": _another,
    "a piece missing": _missing,
}
