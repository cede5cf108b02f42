"""White balance of the sample job against its truth: `python -m tests.benchmarks.balance_sample`.

The house is lit by lamps of 2700 to 4000 K and by windows, several stops brighter. One correction a frame can
only follow the light of the room, so what is judged are white ceilings and white walls above the reach of the
windows (pitch over -25 degrees); linen, trim and floors beside a window are lit by daylight, and a second
line shows them too. Colours are the light that the truth says was recorded, brought to Y = 0.5,
weighted by solid angle; a room is the mean of its frames.
"""

from __future__ import annotations

import argparse
import itertools
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from skimage.color import deltaE_ciede2000 as delta_e_2000

from panopipe.colour.lab import lab_from_xyz
from panopipe.colour.spaces import D65_XY, LUMINANCE_OF_WORKING, XYZ_FROM_WORKING, xyz_from_xy
from panopipe.frame import Frame, FrameKey
from panopipe.stage import JobFacts, Observation, Solution
from panopipe.stages.balance import Balance, BalanceSettings
from panopipe.stages.decode import Decode

Array = NDArray[np.float64]
SAMPLE = Path(__file__).parents[2] / "sample_job"
ROOM_LIT = ("ceiling", "white wall")
LOWEST_DEG = -25.0


def solved(truth: Mapping[str, Any], reference: FrameKey | None) -> Mapping[FrameKey, Solution]:
    """Survey and solve the job at strength 1."""
    stage, observed, settings = Balance(), {}, BalanceSettings(strength=1.0)
    rooms: dict[str, list[FrameKey]] = {}
    for name, frame in truth["frames"].items():
        key = FrameKey(frame["room"], name)
        path = SAMPLE / "originals" / key.room / f"{name}.dng"
        with Decode().open([path], key, Decode.Settings()) as opened:
            seen = stage.survey(Frame(opened.reduced(1024), opened.facts), settings)
            observed[key] = Observation(seen, settings, opened.facts)
        rooms.setdefault(key.room, []).append(key)
    return stage.solve(observed, JobFacts(rooms, reference))


def neutral(spots: Sequence[Mapping[str, Any]]) -> Array:
    """Mean colour of neutral spots, each at Y = 1."""
    colours = np.array([spot["recorded_working"] for spot in spots])
    weight = np.cos(np.radians([spot["pitch_deg"] for spot in spots]))
    mean: Array = np.average(colours / (colours @ LUMINANCE_OF_WORKING)[:, None], axis=0, weights=weight)
    return mean


def lab(rgb: Array) -> Array:
    """CIELAB at Y = 0.5."""
    xyz = 0.5 * rgb @ XYZ_FROM_WORKING.T / (rgb @ LUMINANCE_OF_WORKING)
    return np.asarray(lab_from_xyz(xyz, xyz_from_xy(D65_XY)))


def largest(labs: Mapping[str, Array]) -> float:
    """Largest delta E 2000 between any two."""
    pairs = itertools.combinations(labs.values(), 2)
    return max(float(delta_e_2000(one, other)) for one, other in pairs)


def by_room(labs: Mapping[FrameKey, Array]) -> dict[str, Array]:
    """Mean of the frames of every room."""
    rooms: dict[str, list[Array]] = {}
    for key, value in labs.items():
        rooms.setdefault(key.room, []).append(value)
    return {room: np.mean(values, axis=0) for room, values in rooms.items()}


def show(name: str, truth: Mapping[str, Any], solutions: Mapping[FrameKey, Solution]) -> None:
    """Print one line for what the rooms' own light falls on, and one for every neutral."""
    for what in ("ceilings and walls", "all neutrals"):
        before, after = {}, {}
        for key, solution in solutions.items():
            spots = [spot for spot in truth["frames"][key.name]["neutrals"] if spot["own_room"]]
            if what == "ceilings and walls":
                spots = [s for s in spots if s["surface"] in ROOM_LIT and s["pitch_deg"] > LOWEST_DEG]
            if key.room == "deck" or not spots:
                continue
            assert solution.correction is not None
            before[key], after[key] = lab(neutral(spots)), lab(solution.correction @ neutral(spots))
        figures = (
            largest(by_room(before)),
            largest(by_room(after)),
            largest({key.name: value for key, value in before.items()}),
            largest({key.name: value for key, value in after.items()}),
        )
        print(f"{name:22} {what:20}" + "".join(f"{figure:10.2f}" for figure in figures))


def main() -> None:
    """Solve with and without the job's reference frame and print the table."""
    argparse.ArgumentParser(description=__doc__.splitlines()[0]).parse_args()
    truth = json.loads((SAMPLE / "truth" / "truth.json").read_text(encoding="utf-8"))
    print("largest pairwise delta E 2000     rooms before     after   frames before     after")
    job = (SAMPLE / "job.toml").read_text(encoding="utf-8")
    named = [line.split('"')[1] for line in job.splitlines() if line.startswith("white_reference")]
    show("no reference", truth, solved(truth, None))
    for reference in named:
        show(f"trusts {reference}", truth, solved(truth, FrameKey(*reference.split("/"))))


if __name__ == "__main__":
    main()
