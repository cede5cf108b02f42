"""What the morning page costs: time to make it, size on disk, time until a browser shows it.

    python -m tests.benchmarks.review [--frames 80] [--width 6144]
    python -m tests.benchmarks.review --job JOB      against the run that made JOB

The first makes up a job of finished frames; the second makes the review of a job anew and sets its processor
time against that of the run, stage by stage, as the records have it.
"""

from __future__ import annotations

import argparse
import os
import shutil
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

import cv2
import numpy as np

from panopipe.frame import FrameKey
from panopipe.review.make import KEPT, ReviewSummary, make_review, review_records
from panopipe.state.ledger import read_records
from panopipe.state.record import Effective, FrameRecord
from tests.review.pictures import room, save


def made_up(job: Path, frames: int, width: int) -> list[FrameRecord]:
    """A job of finished frames in rooms of eight; grain makes the files as heavy as real ones."""
    chance = np.random.default_rng(1)
    size = (width, width // 2)
    records = []
    for n in range(frames):
        place, name = f"room-{n // 8 + 1:02d}", f"p-{n + 1:03d}"
        output, before = f"finished/{place}/{name}.jpg", f".panopipe/before/{place}/{name}.jpg"
        if n < 4:
            large = cv2.resize(room(1024, seed=n), size, interpolation=cv2.INTER_LINEAR).astype(np.int16)
            large += chance.integers(-2, 3, large.shape, dtype=np.int16)
            save(job / output, np.clip(large, 0, 255).astype(np.uint8), quality=94)
            save(job / before, cv2.resize(np.clip(large, 0, 255).astype(np.uint8), (2048, 1024)), quality=88)
        else:
            for path in (output, before):
                (job / path).parent.mkdir(parents=True, exist_ok=True)
                os.link(job / path.replace(place, "room-01").replace(name, f"p-{n % 4 + 1:03d}"), job / path)
        settings = {
            stage: {f"setting_{k}": Effective("auto", "built-in") for k in range(6)}
            for stage in ("decode", "tone", "vibrance", "balance", "nadir", "export")
        }
        records.append(
            FrameRecord(
                FrameKey(place, name),
                "finished",
                outputs=(output,),
                before=before,
                width=width,
                height=width // 2,
                settings=settings,
                order=tuple(settings),
                stage_seconds=dict.fromkeys(settings, 0.3),
            )
        )
    return records


def timed(make: Callable[[], ReviewSummary]) -> tuple[ReviewSummary, float, float]:
    """What was made, seconds on the clock, seconds of processor time."""
    clock, processor = time.perf_counter(), time.process_time()
    made = make()
    return made, time.perf_counter() - clock, time.process_time() - processor


def folder_size(folder: Path) -> str:
    """Size of all files below a folder, and of what a browser loads before a frame is opened."""
    every = [path for path in folder.rglob("*") if path.is_file()]
    first = [path for path in every if path.parent.name in ("review", "page", "thumbnails")]
    first = [path for path in first if path.suffix != ".json" and path.name != "contact-sheet.jpg"]
    whole, shown = (sum(path.stat().st_size for path in group) / 1e6 for group in (every, first))
    return f"{whole:.1f} MB, of which {shown:.1f} MB before a frame is opened"


def interactive_ms(page: Path, tries: int = 5) -> list[float]:
    """Milliseconds from opening the page to its last handler being in place, in headless Chromium."""
    binary, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if binary is None or driver is None:
        return []
    from tests.review.browser import chromium, open_page  # noqa: PLC0415 - needs selenium

    found = []
    with chromium(binary, driver) as browser:
        for _ in range(tries):
            open_page(browser, page)
            found.append(
                float(
                    browser.execute_script("return performance.getEntriesByName('interactive')[0].startTime")
                )
            )
    return found


def made_up_job(frames: int, width: int) -> None:
    """Print the figures of a made-up job."""
    with TemporaryDirectory(prefix="review-") as place:
        job = Path(place)
        records = made_up(job, frames, width)
        pixels = frames * width * width / 2 / 1e6
        made, clock, processor = timed(lambda: review_records(job, records, title="Benchmark"))
        _, again, _ = timed(lambda: review_records(job, records, title="Benchmark"))
        waits = interactive_ms(made.page)
        print(f"{frames} frames of {width} x {width // 2}")
        print(f"made            {clock:8.1f} s on the clock")
        print(f"                {1000 * processor / pixels:8.1f} ms of processor per megapixel")
        print(f"made again      {again:8.1f} s, nothing changed")
        print(f"folder          {folder_size(made.page.parent)}")
        if waits:
            print(
                f"interactive     {median(waits):8.0f} ms (median of {len(waits)}, worst {max(waits):.0f} ms)"
            )


def real_job(job: Path) -> None:
    """Print the cost of a job's review against that of its run."""
    shutil.rmtree(job / "review", ignore_errors=True)
    (job / KEPT).unlink(missing_ok=True)
    made, clock, processor = timed(lambda: make_review(job))
    run = sum(sum(one.stage_seconds.values()) for one in read_records(job))
    print(f"review          {clock:8.2f} s on the clock, {processor:.2f} s of processor")
    print(f"run             {run:8.2f} s of processor")
    print(f"review to run   {100 * processor / run:8.1f} %")
    print(f"folder          {folder_size(made.page.parent)}")


def main() -> None:
    """Read the command line and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--frames", type=int, default=80)
    parser.add_argument("--width", type=int, default=6144)
    parser.add_argument("--job", type=Path)
    given = parser.parse_args()
    if given.job:
        real_job(given.job)
    else:
        made_up_job(given.frames, given.width)


if __name__ == "__main__":
    main()
