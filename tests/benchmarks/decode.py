"""Cost of decode by form of file: CPU a megapixel, and memory, printed as a table.

Run ``python -m tests.benchmarks.decode`` from the top of the clone; ``--width 12288`` for the largest
cameras. CPU is that of this one thread; it varies with what else the machine does, the ratios hardly.
"""

from __future__ import annotations

import argparse
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image

from panopipe.frame import FrameKey
from panopipe.stages.decode import Decode, DecodedFrame, DecodeSettings
from tests.makers.dng import neutral_of, write_linear_dng

BAND = 16
FORMS: dict[str, dict[str, Any]] = {
    "DNG, uncompressed": {},
    "DNG, uncompressed tiles": {"tile": (256, 256)},
    "DNG, big-endian": {"big_endian": True},
    "DNG, table": {"linearization": np.arange(65536)},
    "DNG, lossless JPEG": {"compression": "ljpeg", "tile": (256, 256)},
    "DNG, deflate": {"compression": "deflate", "predictor": 2, "tile": (256, 256)},
    "DNG, LZW": {"compression": "lzw", "predictor": 2},
    "DNG, JPEG XL": {"compression": "jpegxl", "tile": (256, 256)},
}


def room(width: int, clipped: float) -> np.ndarray:
    """Camera samples of a shaded, slightly noisy room with a clipped window over a share of the sphere."""
    height = width // 2
    shade = np.sin(np.linspace(0, np.pi, height))[:, None] * (2 + np.cos(np.linspace(0, 6.28, width)))
    noise = np.random.default_rng(1).normal(1, 0.01, (height, width)).astype(np.float32)
    grey = (0.15 * shade * noise).astype(np.float32)
    samples = (grey[:, :, None] * neutral_of((0.95, 1, 1.09)) * 65535).astype(np.uint16)
    side = int(np.sqrt(clipped * width * height * np.pi / 2))
    samples[height // 2 - side // 2 :][:side, width // 3 :][:, :side] = 65535
    return samples


def milliseconds(work: Callable[[], Any], megapixels: float) -> float:
    start = time.process_time()
    work()
    return 1e3 * (time.process_time() - start) / megapixels


def read_all(frame: DecodedFrame) -> None:
    for first in range(0, frame.facts.height, BAND):
        frame.read(first, min(first + BAND, frame.facts.height))


def measure(path: Path, **settings: Any) -> tuple[float, float, float, float]:
    """CPU milliseconds a megapixel to open, to read and to reduce, and bytes a pixel that Python holds."""

    def reader() -> DecodedFrame:
        return Decode().open([path], FrameKey("", "bench"), DecodeSettings(**settings))

    reader().close()
    held: list[DecodedFrame] = []
    tracemalloc.start()
    with reader() as frame:
        pixels = frame.facts.width * frame.facts.height
        read_all(frame)
        peak = tracemalloc.get_traced_memory()[1] / pixels
    tracemalloc.stop()
    opening = milliseconds(lambda: held.append(reader()), pixels / 1e6)
    with held[0] as frame:
        reading = milliseconds(lambda: read_all(frame), pixels / 1e6)
        reducing = milliseconds(lambda: frame.reduced(1024), pixels / 1e6)
    return opening, reading, reducing, peak


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--width", type=int, default=6144, help="columns of the frames")
    width = parser.parse_args().width
    cv2.setNumThreads(1)
    print(f"{width}x{width // 2}, CPU ms/MP         open   read  reduced  bytes/px held")
    with tempfile.TemporaryDirectory() as folder:
        samples = room(width, 0)
        for name, form in FORMS.items():
            path = write_linear_dng(Path(folder) / "frame.dng", samples, **form)
            print(f"{name:28}" + "{:8.2f}{:7.2f}{:9.2f}{:10.2f}".format(*measure(path)))
        for share in (0.001, 0.01, 0.03):
            path = write_linear_dng(Path(folder) / "frame.dng", room(width, share))
            name = f"DNG, {100 * share:g} % clipped"
            print(f"{name:28}" + "{:8.2f}{:7.2f}{:9.2f}{:10.2f}".format(*measure(path)))
        for kind in ("jpg", "png"):
            path = Path(folder) / f"frame.{kind}"
            Image.fromarray((samples >> 8).astype(np.uint8)).save(path)
            print(f"{kind.upper():28}" + "{:8.2f}{:7.2f}{:9.2f}{:10.2f}".format(*measure(path)))


if __name__ == "__main__":
    main()
