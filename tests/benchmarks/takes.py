"""Choose among made takes: `python -m tests.benchmarks.takes [FOLDER ...] [--cases 120] [--seed 1]`.

A place is a stand with three takes that differ as nature has it (exposure by up to 1 EV, broad light, moved
shadows, clouds and leaves, a lens that came back 1 to 4 cm off its place, turned and not quite level). One
of the takes has a fault: glare, a flare spot, clipped light, a person or a thing, blur, a lean, a broken
seam. A choice is right if it is not that take; a reason is right if the heaviest fault that is told of that
take is the one it was given. Further places have no fault: any choice is right, and the reason none.

Places are the frames of the sample job and radiance panoramas of the FOLDERs (.exr or .hdr, linear Rec.709;
EXR needs the OpenEXR package). The measures were made on the panoramas of `TUNED`; they have a table of
their own. Where the names of panoramas say what is outdoors (`OUTDOORS`), shadows and leaves move there.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from panopipe.frame import FrameKey
from panopipe.stages.decode import Decode, DecodeSettings
from panopipe.studies.takes.choose import choose
from panopipe.studies.takes.take import Kind, Take
from tests.benchmarks.real_light import read_light
from tests.makers.camera import BT2020_FROM_XYZ, XYZ_FROM_709
from tests.makers.takes import FAULTS, made_place

Light = NDArray[np.float32]

TUNED = {"city", "interior", "lounge_clean", "hall_clean"}
MADE_TAKES = {"deck-02", "deck-03"}
"""Frames of the sample job that are such takes themselves."""
OUTDOORS = {"city", "forest", "sunrise", "deck_clean", "deck-01"}
WIDTH = 1024
KINDS = {
    "glare": Kind.GLARE,
    "flare": Kind.FLARE,
    "clip": Kind.CLIP,
    "person": Kind.VISITOR,
    "blur": Kind.BLUR,
    "lean": Kind.LEAN,
    "seam": Kind.SEAM,
}


def sample_frames() -> dict[str, Light]:
    """Frames of the sample job as decoded, reduced."""
    found = {}
    originals = Path(__file__).parents[2] / "sample_job" / "originals"
    for path in sorted(originals.glob("*/*-0?.dng")):
        if path.stem in MADE_TAKES:
            continue
        with Decode().open([path], FrameKey(path.parent.name, path.stem), DecodeSettings()) as frame:
            found[path.stem] = frame.reduced(WIDTH)
    return found


def panoramas(folders: Iterable[Path]) -> dict[str, Light]:
    """Radiance panoramas in the working space."""
    matrix = (BT2020_FROM_XYZ @ XYZ_FROM_709).astype(np.float32)
    paths = sorted(path for folder in folders for path in folder.iterdir())
    paths = [path for path in paths if path.suffix.lower() in (".exr", ".hdr") and "_rows" not in path.stem]
    return {path.stem: np.maximum(read_light(path, WIDTH) @ matrix.T, 0) for path in paths}


def told(light: Light, name: str, fault: str, seed: int) -> tuple[bool, bool, str]:
    """Whether choice and reason are right for one made place, and a line for those that are not."""
    place = made_place(light, fault, seed, outdoors=name in OUTDOORS)
    choice = choose([Take(rows, (1.0, 1.0)) for rows in place.takes])
    kinds = [[f"{found.kind} {found.figure:.2f} {found.unit}" for found in own] for own in choice.faults]
    said = f"{fault or 'none':7}{name:14} seed {seed}, take {place.faulty}: chose {choice.chosen}, {kinds}"
    if not fault:
        return True, not any(choice.faults), said
    worst = choice.faults[place.faulty][0].kind if choice.faults[place.faulty] else ""
    return choice.chosen != place.faulty, worst == KINDS[fault], said


def table(places: dict[str, Light], cases: int, seed: int, *, title: str, shows: bool) -> None:
    """Make cases, fault by fault and place by place, and print how many were right."""
    count, chosen, reasons = Counter[str](), Counter[str](), Counter[str]()
    started = time.process_time()
    names = sorted(places)
    plan = [FAULTS[case % len(FAULTS)] for case in range(cases)] + [""] * (cases // 3)
    for number, fault in enumerate(plan):
        name = names[(number + number // len(FAULTS)) % len(names)]
        right, reason, said = told(places[name], name, fault, 1000 * seed + number)
        count[fault] += 1
        chosen[fault] += right
        reasons[fault] += reason
        if shows and not (right and reason):
            print(said, flush=True)
    print(f"\n{title}: {', '.join(sorted(places))}")
    print("fault     cases  right choice  right reason")
    for fault in FAULTS:
        _row(fault, count[fault], chosen[fault], reasons[fault])
    _row("all", *(sum(each[fault] for fault in FAULTS) for each in (count, chosen, reasons)))
    _row("none", count[""], chosen[""], reasons[""])
    print(f"CPU of making and choosing: {(time.process_time() - started) / len(plan):.1f} s a place")


def _row(name: str, count: int, right: int, reason: int) -> None:
    if count:
        print(f"{name:8}{count:7}{100 * right / count:12.1f} %{100 * reason / count:12.1f} %", flush=True)


def main(asked: Sequence[str] | None = None) -> None:
    """Make places, choose, print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folders", type=Path, nargs="*")
    parser.add_argument("--cases", type=int, default=120, help="made faults; a third as many without")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--tuned", action="store_true", help="also the panoramas that the bars were set on")
    parser.add_argument("--wrong", action="store_true", help="print what was wrong, as it comes")
    given = parser.parse_args(asked)
    places = {**sample_frames(), **panoramas(given.folders)}
    known = {name: light for name, light in places.items() if name in TUNED}
    others = {name: light for name, light in places.items() if name not in TUNED}
    table(others, given.cases, given.seed, title="only reported", shows=given.wrong)
    if given.tuned and known:
        table(known, given.cases, given.seed, title="bars were set on these", shows=given.wrong)


if __name__ == "__main__":
    main()
