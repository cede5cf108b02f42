"""Where frames stood, against houses of known plan: ``python -m tests.benchmarks.stands``.

Tuned on seeds 1 to 20, 101 to 111, 301 to 304, 401 to 464, 601 to 615, 701, 821 to 823; report others. Houses
are rendered by `tests.scenes.plan_render`, 1024 columns wide.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import linear_sum_assignment

from panopipe.studies.stands.features import find_features
from panopipe.studies.stands.motion import wrapped
from panopipe.studies.stands.rooms import rooms_of
from panopipe.studies.stands.solve import Shoot, solve_shoot
from tests.scenes.plan_house import CAMERA_M, random_house, sight_lines, twin_floors, with_mirror
from tests.scenes.plan_render import PlanHouse, render

_WRONG_DEG = 10.0
"""A link that points so far off is wrong, as is one through a wall."""


@dataclass
class Score:
    """What one house gave."""

    yaw_deg: list[float] = field(default_factory=list)
    distance_share: list[float] = field(default_factory=list)
    heading_deg: list[float] = field(default_factory=list)
    true: int = 0
    found: int = 0
    wrong: list[str] = field(default_factory=list)
    placed: int = 0
    frames: int = 0
    parts: int = 0
    features_ms: float = 0.0
    solve_s: float = 0.0
    missed: list[str] = field(default_factory=list)
    rooms_right: int = 0


def bearing_deg(house: PlanHouse, i: int, j: int) -> float:
    """Yaw at which stand i sees stand j, in its own picture."""
    a, b = house.stands[i], house.stands[j]
    return wrapped(float(np.degrees(np.arctan2(b.x - a.x, b.z - a.z))) - a.heading_deg)


def score(house: PlanHouse, shoot: Shoot) -> Score:
    """Compare a solution with the plan that the house was made by."""
    result = Score(frames=len(house.stands), parts=int(shoot.plan.part.max(initial=-1)) + 1)
    true = sight_lines(house)
    result.true = len(true)
    good = set()
    for link in shoot.links:
        i, j = min(link.first, link.second), max(link.first, link.second)
        a, b = house.stands[link.first], house.stands[link.second]
        off = abs(wrapped(link.yaw_deg - bearing_deg(house, link.first, link.second)))
        back = abs(wrapped(link.back_yaw_deg - bearing_deg(house, link.second, link.first)))
        metres = float(np.hypot(a.x - b.x, a.z - b.z))
        if (i, j) not in true or max(off, back) > _WRONG_DEG:
            through = "" if (i, j) in true else " through a wall"
            says = f"{off:.1f} and {back:.1f} degrees off{through}, sure {link.certainty}"
            result.wrong.append(f"{a.name}-{b.name}: {says}")
        else:
            good.add((i, j))
        result.yaw_deg += [off, back]
        if link.distance is not None:
            result.distance_share.append(abs(link.distance * CAMERA_M / metres - 1))
    result.found = len(good)
    result.missed = [f"{house.stands[i].name}-{house.stands[j].name}" for i, j in sorted(true - good)]
    result.heading_deg = _heading_errors(house, shoot)
    result.placed = int((shoot.plan.part >= 0).sum())
    result.rooms_right = rooms_right(house, shoot)
    return result


def rooms_right(house: PlanHouse, shoot: Shoot) -> int:
    """Frames in the right room of those proposed, under the best one-to-one naming of the rooms."""
    proposed = rooms_of(shoot, [stand.taken_s for stand in house.stands])
    shared = np.zeros((max(proposed) + 1, len(house.rooms)))
    for room, stand in zip(proposed, house.stands, strict=True):
        shared[room, stand.room] += 1
    rows, columns = linear_sum_assignment(-shared)
    return int(shared[rows, columns].sum())


def _heading_errors(house: PlanHouse, shoot: Shoot) -> list[float]:
    """Error of each heading about the middle of its part."""
    errors: list[float] = []
    for number in range(int(shoot.plan.part.max(initial=-1)) + 1):
        inside = np.flatnonzero(shoot.plan.part == number)
        off = np.array([house.stands[i].heading_deg - shoot.plan.headings_deg[i] for i in inside])
        middle = np.angle(np.mean(np.exp(1j * np.radians(off))), deg=True)
        off = (off - middle + 180) % 360 - 180
        errors += [abs(float(e)) for e in off - np.median(off)]
    return errors


def measured(house: PlanHouse, features: Sequence[object] | None = None) -> tuple[Score, Shoot]:
    """Render a house, solve it, and score it."""
    began = time.process_time()
    if features is None:
        rows = [render(house, stand) for stand in house.stands]
        began = time.process_time()
        features = [find_features(one) for one in rows]
    looked = time.process_time()
    shoot = solve_shoot(features, [stand.taken_s for stand in house.stands])  # type: ignore[arg-type]
    solved = time.process_time()
    result = score(house, shoot)
    result.features_ms = 1e3 * (looked - began) / max(len(house.stands), 1)
    result.solve_s = solved - looked
    return result, shoot


def line(name: str, one: Score) -> str:
    """One row of the table."""
    yaw = np.percentile(one.yaw_deg, (50, 95)) if one.yaw_deg else (np.nan, np.nan)
    away = np.median(one.distance_share) * 100 if one.distance_share else np.nan
    heading = np.percentile(one.heading_deg, (50, 95)) if one.heading_deg else (np.nan, np.nan)
    counts = (one.frames, one.placed, one.parts, one.true, one.found, len(one.wrong), one.rooms_right)
    errors = (*yaw, away, *heading)
    return (
        f"{name:>16}"
        + "".join(f"{count:7}" for count in counts)
        + "".join(f"{error:7.2f}" for error in errors)
        + f"{one.features_ms:7.0f}{one.solve_s:7.2f}"
    )


_COLUMNS = "frames placed parts lines found wrong rooms yaw50 yaw95 dist% head50 head95 ms/fr solve"
HEAD = f"{'house':>16}" + "".join(f"{name:>7}" for name in _COLUMNS.split())


def joined(scores: Sequence[Score]) -> Score:
    """All houses as one."""
    total = Score()
    for one in scores:
        for name in ("yaw_deg", "distance_share", "heading_deg", "wrong"):
            getattr(total, name).extend(getattr(one, name))
        for name in ("true", "found", "placed", "frames", "parts", "rooms_right"):
            setattr(total, name, getattr(total, name) + getattr(one, name))
    total.features_ms = float(np.mean([one.features_ms for one in scores]))
    total.solve_s = float(np.sum([one.solve_s for one in scores]))
    return total


SPECIAL = {
    "mirror wall": lambda: with_mirror(random_house(201, 12)),
    "mirror wall 2": lambda: with_mirror(random_house(202, 12)),
    "twin floors": lambda: twin_floors(203, 8),
    "twin floors 2": lambda: twin_floors(204, 8),
    "bare white": lambda: random_house(205, 10, plain=1.0),
    "half bare": lambda: random_house(206, 10, plain=0.7),
}
"""Houses that mislead. In all of them every door is like every other."""


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="101-120", help="first-last")
    parser.add_argument("--frames", default="10-60", help="fewest-most frames of a house")
    parser.add_argument("--verbose", action="store_true", help="name wrong links and missed lines")
    parser.add_argument("--special", action="store_true", help="houses that mislead, too")
    given = parser.parse_args()
    first, last = (int(part) for part in given.seeds.split("-"))
    fewest, most = (int(part) for part in given.frames.split("-"))
    print(HEAD)
    scores = []
    for place, seed in enumerate(range(first, last + 1)):
        frames = round(fewest + (most - fewest) * place / max(last - first, 1))
        one, _ = measured(random_house(seed, frames))
        scores.append(one)
        print(line(f"seed {seed}", one), flush=True)
        if given.verbose:
            for text in one.wrong:
                print("    wrong", text)
    print(line("all", joined(scores)))
    if given.special:
        for name, house in SPECIAL.items():
            one, _ = measured(house())
            print(line(name, one), flush=True)
            for text in one.wrong:
                print("    wrong", text)


if __name__ == "__main__":
    main()
