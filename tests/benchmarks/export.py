"""What export costs and what it does to smooth light: `python -m tests.benchmarks.export`.

Prints CPU milliseconds per megapixel (with the time of a plain copy of the same memory beside them, so
that machines can be compared), what is held in memory, and how much of the steps between 8-bit codes is
still there after JPEG.
"""

from __future__ import annotations

import argparse
import time
import tracemalloc
from collections.abc import Callable

import cv2
import numpy as np

from panopipe.frame import Band, Frame, FrameFacts, FrameKey
from panopipe.pixels.code import SrgbCoder
from panopipe.sphere.dither import STEPS, grain_tile
from panopipe.stage import Rights, StageContext
from panopipe.stages.export import Export, ExportSettings

ROWS, BANDS = 16, 64


def cpu_ms(work: Callable[[], object], megapixels: float, repeats: int = 7) -> float:
    """Best CPU time of several runs, per megapixel."""
    best = np.inf
    for _ in range(repeats):
        start = time.process_time()
        work()
        best = min(best, time.process_time() - start)
    return best * 1e3 / megapixels


def room_light(width: int, height: int, outside: float = 0.0) -> np.ndarray:
    """Smooth light within sRGB with a little noise, and a share of strong colours in patches."""
    random = np.random.default_rng(1)
    coarse = random.random((height // 16 + 2, width // 16 + 2, 3), dtype=np.float32)
    smooth = cv2.resize(coarse, (width, height), interpolation=cv2.INTER_LINEAR)
    light = 0.1 + 0.5 * (0.7 * smooth.mean(axis=2, keepdims=True) + 0.3 * smooth)
    light += random.normal(0, 0.004, light.shape).astype(np.float32)
    if outside:
        place = cv2.GaussianBlur(random.random((height, width), dtype=np.float32), (0, 0), 6)
        light[place > np.quantile(place, 1 - outside)] *= np.float32([1.8, 0.15, 0.1])
    return np.ascontiguousarray(light)


def print_speed(width: int) -> None:
    megapixels = width * ROWS * BANDS / 1e6
    print(f"CPU per megapixel, {width} wide, bands of {ROWS} rows, one thread")
    print(f"{'outside sRGB':>14} {'to codes':>10} {'copy':>8} {'ratio':>7}")
    for outside in (0.0, 0.001, 0.01, 0.05):
        rows = room_light(width, ROWS, outside)
        other = np.empty_like(rows)
        coding = cpu_ms(lambda rows=rows: coded(rows), megapixels, 5)
        copying = cpu_ms(lambda rows=rows, other=other: np.copyto(other, rows), megapixels / BANDS)
        print(f"{outside:14.1%} {coding:7.2f} ms {copying:5.2f} ms {coding / copying:7.1f}")


def coded(band: np.ndarray) -> None:
    coder, codes = SrgbCoder(grain_tile()), np.empty(band.shape, np.uint8)
    for number in range(BANDS):
        coder.code(band, number * len(band), turn=band.shape[1] // 3, out=codes)


def print_encoders(width: int) -> None:
    codes = np.empty((1024, width, 3), np.uint8)
    SrgbCoder(grain_tile()).code(room_light(width, 1024), 0, turn=0, out=codes)
    megapixels = codes.size / 3e6
    print(f"\nJPEG, quality 94, {width} x 1024")
    print(f"{'chroma':>7} {'strips':>9} {'one call':>9} {'ratio':>6} {'bytes':>10} {'more':>8}")
    for chroma, factor in (("4:4:4", 0x111111), ("4:2:2", 0x211111), ("4:2:0", 0x221111)):
        options = [cv2.IMWRITE_JPEG_QUALITY, 94, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, factor]
        whole = cpu_ms(lambda options=options: cv2.imencode(".jpg", codes, options), megapixels, 3)
        strips = cpu_ms(lambda chroma=chroma: in_strips(codes, chroma), megapixels, 3)
        once, ours = len(cv2.imencode(".jpg", codes, options)[1]), in_strips(codes, chroma)
        times = f"{strips:6.2f} ms {whole:6.2f} ms {strips / whole:6.2f}"
        print(f"{chroma:>7} {times} {ours:10} {ours / once - 1:8.2%}")


def in_strips(codes: np.ndarray, chroma: str) -> int:
    from panopipe.files.jpeg import JpegStream  # noqa: PLC0415

    stream = JpegStream(codes.shape[1], len(codes), quality=94, sampling=chroma)  # type: ignore[arg-type]
    first = 0
    while first < len(codes):
        space = stream.space(min(ROWS, len(codes) - first))
        space[:] = codes[first : first + len(space)]
        stream.fill(len(space))
        first += len(space)
    return len(stream.finish())


def print_memory(width: int) -> None:
    facts = FrameFacts(FrameKey("", "bench"), width, width // 2)
    look = StageContext(Frame(room_light(512, 256), facts))
    band = room_light(width, ROWS)
    tracemalloc.start()
    sink = Export().start(look, ExportSettings(), Rights())
    for first in range(0, width // 2, ROWS):
        sink.take(Band(band, first, facts))
    size = len(sink.finish()[0].data)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    pixels = width * width // 2
    print(f"\nmemory at {width} wide: {peak / 1e6:.0f} MB at the most, the coded file's {size / 1e6:.0f} MB")
    print(f"among them; the frame as 8-bit codes would be {3 * pixels / 1e6:.0f} MB more")


def print_bands() -> None:
    print("\nsteps left of 8-bit codes after JPEG, in codes (1 is all of them); texture: spread of the grain")
    print(f"{'quality':>8} {'none':>7} {'blue':>7} {'ours':>7} {'texture':>8}   kB/MP: none   blue   ours")
    rows, columns = np.mgrid[0:512, 0:2048]
    truth = 120.3 + columns / 200 + rows / 900
    patterns = {"none": np.zeros((128, 128)), "blue": blue_noise(128), "ours": grain_tile() / STEPS}
    for quality in (88, 90, 92, 94, 96, 98):
        found = {name: steps(truth, np.tile(grain, (4, 16)), quality) for name, grain in patterns.items()}
        marks = " ".join(f"{step:7.3f}" for step, _, _ in found.values())
        sizes = " ".join(f"{size:6.0f}" for _, _, size in found.values())
        print(f"{quality:8} {marks} {found['ours'][1]:8.3f}        {sizes}")


def steps(truth: np.ndarray, grain: np.ndarray, quality: int) -> tuple[float, float, float]:
    grey = np.repeat(np.round(truth + grain).astype(np.uint8)[..., None], 3, axis=2)
    coded = cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    error = (cv2.imdecode(coded, cv2.IMREAD_COLOR)[..., 0] - truth).ravel()
    place = np.digitize((truth % 1).ravel(), np.linspace(0, 1, 21)) - 1
    means = [error[place == part].mean() for part in range(20)]
    spreads = [error[place == part].std() for part in range(20)]
    return float(np.ptp(means)), float(np.ptp(spreads)), len(coded) / 1e3 / (truth.size / 1e6)


def blue_noise(side: int) -> np.ndarray:
    """High-passed white noise of even distribution, one code wide: the usual dither."""
    frequency = np.abs(np.fft.fftfreq(side))
    radius = np.hypot(frequency[:, None], frequency[None])
    white = np.random.default_rng(2).standard_normal((side, side))
    field = np.fft.ifft2(np.fft.fft2(white) * radius**2).real
    return np.argsort(np.argsort(field, axis=None)).reshape(side, side) / side**2 - 0.5


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--width", type=int, default=6144, help="width of the frame in pixels")
    width = parser.parse_args().width
    cv2.setNumThreads(1)
    print_speed(width)
    print_encoders(width)
    print_memory(width)
    print_bands()


if __name__ == "__main__":
    main()
