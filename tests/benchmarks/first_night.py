"""From a messy card to a delivered house, as a new user goes: `python -m tests.benchmarks.first_night`.

The card holds the originals of a job under camera names in the camera's folders, rooms mixed, with one frame
twice, one cut short, and what else lies on cards. The user does what each command's last lines say. Printed
are the steps, the seconds that each command takes on this machine, and the lines that it gives to read; the
user's own time is not ours to measure.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

from tests.stress.jobs import Ran, panopipe

SAMPLE = Path(__file__).parents[2] / "sample_job"
NAMES = "abcdefghijklmnopqrstuvwxyz"


def messy_card(place: Path, originals: Path) -> tuple[str, str]:
    """Write a card; return what of it a user throws out: what is there twice, and what is broken."""
    first, second, other = (place / "DCIM" / name for name in ("100PANO", "101PANO", "MISC"))
    for folder in (first, second, other):
        folder.mkdir(parents=True)
    files = sorted(file for file in originals.rglob("*") if file.is_file())
    for number, file in enumerate(files, 1):
        shutil.copyfile(file, first / f"PANO_{number:04d}{file.suffix}")
    whole = next(first.glob("PANO_0003.*"))
    shutil.copyfile(whole, second / whole.name)
    (second / "PANO_0099.dng").write_bytes(whole.read_bytes()[: whole.stat().st_size // 10])
    (first / "._PANO_0001.dng").write_bytes(b"\0\5\x16\7")
    (other / "README.TXT").write_text("made by the camera\n")
    return f"101PANO/{whole.name}", "101PANO/PANO_0099.dng"


def steps(card: Path, job: Path, thrown_out: Sequence[str]) -> Iterator[tuple[str, Ran | None]]:
    """What the user does, step by step; what is done by hand has no command that ran."""
    yield "panopipe intake CARD JOB", panopipe("intake", card, job)
    yield "panopipe check JOB", panopipe("check", job)
    for name in thrown_out:
        (job / "originals" / name).unlink()
    yield f"by hand: {len(thrown_out)} files out of the job, as check says", None
    yield "panopipe rooms JOB --accept", panopipe("rooms", job, "--accept")
    _name_rooms(job / "job.toml")
    yield "by hand: rooms named in job.toml", None
    yield "panopipe run JOB", panopipe("run", job)
    yield "by hand: the morning page looked at", None
    doubts = {line.split(": ")[1] for line in panopipe("accept", job).output.splitlines()}
    yield "panopipe accept JOB job CHECKS", panopipe("accept", job, "job", *sorted(doubts))
    yield "panopipe deliver JOB", panopipe("deliver", job)


def _name_rooms(file: Path) -> None:
    """Give proposed rooms names."""
    text = file.read_text(encoding="utf-8")
    for number in range(text.count("\nroom-") + text.startswith("room-"), 0, -1):
        text = text.replace(f"room-{number} =", f"{NAMES[number % 26] * 3} =")
    file.write_text(text, encoding="utf-8")


def main() -> None:
    """Go the way and print it."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.first_night",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--originals", type=Path, default=SAMPLE / "originals", help="frames of the card")
    asked = parser.parse_args()
    commands, by_hand, seconds = 0, 0, 0.0
    with tempfile.TemporaryDirectory() as name:
        card, job = Path(name) / "card", Path(name) / "job"
        thrown_out = messy_card(card, asked.originals)
        print(f"{'step':<56}{'s':>7}{'CPU s':>7}{'lines':>7}{'exit':>6}")
        for step, ran in steps(card, job, thrown_out):
            if ran is None:
                by_hand += 1
                print(step)
                continue
            commands, seconds = commands + 1, seconds + ran.wall_s
            lines = len(ran.output.strip().splitlines())
            print(f"{step:<56}{ran.wall_s:7.1f}{ran.cpu_s:7.1f}{lines:7}{ran.code:6}", flush=True)
        delivered = sorted((job / "delivery").glob("*.jpg"))
        print(f"{commands} commands, {by_hand} steps by hand, {seconds / 60:.1f} minutes of the machine")
        print(f"{len(delivered)} pictures delivered")


if __name__ == "__main__":
    main()
