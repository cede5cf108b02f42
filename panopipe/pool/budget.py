"""How many workers fit, and how much disk a run will take: both estimated before anything is done."""

from __future__ import annotations

import shutil
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from panopipe.pool.machine import MIB, free_memory, processors

WORKER_BYTES = 260 * MIB
"""Resident memory of a worker with its libraries, before it opens a frame (measured, rounded up)."""
BYTES_PER_PIXEL = 22
"""Resident memory that a frame adds, per pixel (measured at 18.9 and 71.6 megapixels: 20, in the nadir)."""
SHARE = 0.8
"""Part of the free memory that workers may plan with; the rest is for the system and its file cache."""
FILE_BYTES_PER_PIXEL = {".dng": 3.0, ".tif": 3.0, ".tiff": 3.0, ".png": 1.0, ".jpg": 0.15, ".jpeg": 0.15}
"""Least bytes that a pixel takes in a file, to guess a frame's size before it is opened."""
OUTPUT_BYTES_PER_PIXEL = 0.7
"""A JPEG of a room at quality 93 without chroma subsampling (measured on real rooms, rounded up)."""
KEPT_BYTES = 8 * MIB
"""Light at reduced size and the picture as decoded, kept per frame."""


@dataclass(frozen=True, slots=True)
class Workers:
    """How many workers, and why that many."""

    count: int
    why: str


def memory_for(pixels: int) -> int:
    """Bytes that a worker takes with a frame of this size."""
    return WORKER_BYTES + BYTES_PER_PIXEL * pixels


def guessed_pixels(path: Path) -> int:
    """Most pixels that a file of this size can hold, give or take; 0 if it is not there."""
    try:
        size = path.stat().st_size
    except OSError:
        return 0
    return round(size / FILE_BYTES_PER_PIXEL.get(path.suffix.lower(), 1.0))


def workers_for(pixels: Iterable[int], *, wanted: int | None = None) -> Workers:
    """As many workers as processors and memory allow, for frames of these sizes.

    Parameters
    ----------
    pixels : iterable of int
        Pixels of each frame to do.
    wanted : int, optional
        What the user asked for; no more than there are frames.
    """
    sizes = list(pixels)
    need = memory_for(max(sizes, default=0))
    each = f"{need / (1 << 30):.1f} GB each"
    if wanted and wanted <= len(sizes):
        return Workers(wanted, f"as you asked, up to {each}")
    if wanted:
        return Workers(max(1, len(sizes)), f"one for each frame, up to {each}")
    cores, fit = processors(), int(free_memory() * SHARE // need)
    count = max(1, min(cores, fit, len(sizes)))
    if count == len(sizes) and count < min(cores, fit):
        return Workers(count, "one for each frame")
    if fit < cores:
        return Workers(count, f"memory allows that many, {each}")
    return Workers(count, "one for each processor")


def disk_remark(folder: Path, pixels: Iterable[int]) -> str:
    """Say so if the disk will most likely not do; empty if it will."""
    needed = sum(OUTPUT_BYTES_PER_PIXEL * size + KEPT_BYTES for size in pixels)
    free = shutil.disk_usage(folder).free
    if needed <= free:
        return ""
    return (
        f"about {needed / 1e9:.1f} GB of disk are needed and {free / 1e9:.1f} GB are free: the run will "
        "most likely stop on the way; make room now, or run again later and it goes on from there"
    )
