"""What a finished frame costs, as ratios measured in one run: `python -m tests.benchmarks.speed`.

Every figure comes from a process of its own, with one thread, and is that of its second frame; the best of
three counts. Beside panopipe stand: the floor (decode of the same DNG by the raw library, and encode of the
finished picture), the same in a process that keeps freed memory as panopipe's workers do, a lower floor
(samples read directly instead), the job as a practitioner would script it twice (`tests/benchmarks/plain/`),
and a plain copy of the frame in memory, so that machines can be compared.

The scripts do less: levels and white, tone with one base for the whole frame, vibrance, the nadir filled
from its rim, coding. What the survey and the joint solution find is handed to them.

`--large` adds the 71.6 megapixel frame, `--plain` the scripts, `--job N` jobs of N frames of 18.9 megapixels,
uncompressed and in lossless JPEG tiles, with all that they cost by phase and stage, two workers, and proofs.
`--job-only` leaves out the rest. `--write FILE` keeps the tables.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from tests.benchmarks.speed_job import job_tables
from tests.benchmarks.speed_parts import command, make_frame, measured

TINY, LITTLE, SMALL, LARGE = 2048, 4096, 6144, 11968
"""Widths of frames of 2.1, 8.4, 18.9 and 71.6 megapixels."""
FLOORS = ("raw library + encode", "the same, freed memory kept", "own reader + encode", "copy in memory")
FLOOR_BARS = {
    "raw library + encode": ("raw library + encode", 1.2),
    "the same, freed memory kept": ("raw library that keeps memory + encode", 1.2),
    "own reader + encode": ("own reader + encode", 4),
}
"""What each floor is called where bars stand alone, and the bar."""
SCRIPTS = ("plain OpenCV, float32", "plain scikit-image, float64")

Found = dict[str, dict[str, Any]]


class Table:
    """Lines that are printed and kept, and the bars that were set."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self.bars: list[tuple[str, float, str, float]] = []

    def __call__(self, *cells: object) -> None:
        """Add a row, the first cell to the left."""
        first, *rest = (f"{cell:.3g}" if isinstance(cell, float) else str(cell) for cell in cells)
        self.lines.append(f"| {first} | " + " | ".join(rest) + " |")
        print(f"{first:<52}" + "".join(f"{cell:>15}" for cell in rest), flush=True)

    def head(self, *cells: str) -> None:
        """Begin a table."""
        print()
        self.lines.append("")
        self(*cells)
        self.lines.append("|---|" + "---:|" * (len(cells) - 1))

    def bar(self, what: str, figure: float, way: str, bar: float) -> None:
        """Hold a figure against a bar: "at most" or "at least"."""
        self.bars.append((what, figure, way, bar))

    def judge(self) -> None:
        """Say which bars are met."""
        self.head("bars", "figure", "bar", "")
        for what, figure, way, bar in self.bars:
            met = figure <= bar if way == "at most" else figure >= bar
            self(what, f"{figure:.3g}", f"{way} {bar:g}", "met" if met else "MISSED")


def megapixels(width: int) -> float:
    """Pixels of a frame in millions."""
    return width * (width // 2) / 1e6


def frame_figures(folder: Path, width: int, *, plain: bool) -> Found:
    """Measure panopipe and what stands beside it at one size of frame."""
    dng = folder / f"frame-{width}.dng"
    make_frame(dng, width)
    with_floors = width in (SMALL, LARGE)
    names = ("panopipe", *(FLOORS if with_floors else ()), *(SCRIPTS if plain and width == SMALL else ()))
    base = measured("imports", dng, 1)["peak"]
    found = {name: measured(name, dng, 1 if name in SCRIPTS else 3) for name in names}
    for one in found.values():
        one["ms"] = one["seconds"] * 1e3 / megapixels(width)
        one["bytes"] = (one["peak"] - base) / megapixels(width) / 1e6
    if width == SMALL:
        found["first frame"] = measured("first frame", dng)
    for path in folder.glob("*.*"):
        path.unlink()
    return found


def size_table(table: Table, found: dict[int, Found]) -> None:
    """Cost by size of frame."""
    table.head("by size of frame", *(f"{megapixels(width):.1f} MP" for width in found))
    ours = {width: one["panopipe"] for width, one in found.items()}
    table("CPU ms a megapixel", *(f"{one['ms']:.1f}" for one in ours.values()))
    table("peak bytes a pixel", *(f"{one['bytes']:.1f}" for one in ours.values()))
    stages = dict.fromkeys(name for one in ours.values() for name in one["stages"])
    for name in stages:
        each = (one["stages"].get(name, 0) * 1e3 / megapixels(width) for width, one in ours.items())
        table(f"  {name}", *(f"{ms:.2f}" for ms in each))
    for width in (SMALL, LARGE):
        if width in ours:
            table.bar(f"peak bytes a pixel, {megapixels(width):.1f} MP", ours[width]["bytes"], "at most", 15)
    if LARGE in ours:
        grows = ours[LARGE]["ms"] / ours[SMALL]["ms"]
        table("cost a megapixel, 71.6 against 18.9 MP", f"{grows:.2f}")


def beside_table(table: Table, found: Found, width: int) -> None:
    """What stands beside panopipe at one size."""
    ours, size = found["panopipe"], f"{megapixels(width):.1f} MP"
    table.head(
        f"beside panopipe, {size}", "CPU ms/MP", "bytes/px", "ours / this", "this / ours", "memory, so"
    )
    for name in ("panopipe", *FLOORS, *SCRIPTS):
        if (it := found.get(name)) is None:
            continue
        ratio, more = ours["seconds"] / it["seconds"], it["bytes"] / ours["bytes"]
        table(
            name, f"{it['ms']:.1f}", f"{it['bytes']:.1f}", f"{ratio:.2f}", f"{1 / ratio:.1f}", f"{more:.1f}"
        )
        if name in FLOOR_BARS:
            table.bar(f"CPU against {FLOOR_BARS[name][0]}, {size}", ratio, "at most", FLOOR_BARS[name][1])
        if name in SCRIPTS:
            table.bar(f"CPU of {name}, against ours", 1 / ratio, "at least", 6 if name == SCRIPTS[0] else 30)
        if name == SCRIPTS[0]:
            table.bar(f"memory of {name}, against ours", more, "at least", 10)


def frame_tables(table: Table, folder: Path, *, large: bool, plain: bool) -> None:
    """Measure single frames, and the start."""
    widths = (TINY, LITTLE, SMALL, *((LARGE,) if large else ()))
    found = {width: frame_figures(folder, width, plain=plain) for width in widths}
    size_table(table, found)
    for width in widths[2:]:
        beside_table(table, found[width], width)
    table.head("start", "CPU s")
    table("panopipe --help", f"{min(command('--help') for _ in range(3))[0]:.2f}")
    table("to the first rows of a frame decoded", f"{found[SMALL]['first frame']['seconds']:.2f}")


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.speed",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--large", action="store_true", help="also a frame of 71.6 megapixels")
    parser.add_argument("--plain", action="store_true", help="also the practitioner's scripts")
    parser.add_argument("--job", type=int, default=0, metavar="FRAMES", help="also a job of so many frames")
    parser.add_argument("--job-only", action="store_true", help="no more than the job")
    parser.add_argument("--write", type=Path, help="keep the tables in this file, as Markdown")
    said = parser.parse_args(arguments)
    table = Table()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if not said.job_only:
            frame_tables(table, folder, large=said.large, plain=said.plain)
        if said.job:
            job_tables(table, folder / "jobs", said.job)
    table.judge()
    if said.write:
        said.write.write_text("\n".join(table.lines).strip() + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
