"""How high the quality index can be driven by hand, scene by scene, with panopipe's own rendering.

From what the default finds, one number of the look after the other is moved as long as the index gains. What
may not be given up for it: 18 % cards within L* 42 to 58, and in scenes without a card no more than 0.35 EV
of exposure. What remains below the bar is then no matter of taste.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

import numpy as np

from panopipe.frame import Rows
from panopipe.stages.tone import Tone, ToneSettings
from panopipe.studies.light.curve import MOST_EXPOSURE_EV, MOST_HIGHLIGHTS_EV, NO_TOE_EV, Moves
from tests.benchmarks.tone_picture import (
    Codes,
    card_lightness,
    codes_of,
    finished,
    luminance_of,
    prepared_by,
    views,
)
from tests.benchmarks.tone_scenes import Scene
from tests.measures.tmqi import tmqi

STEPS = {
    "exposure_ev": 0.15,
    "highlights_ev": 0.6,
    "shadows_ev": 0.5,
    "slope_percent": 10.0,
    "shoulder_ev": 0.5,
    "toe_ev": 0.7,
    "detail_percent": 20.0,
}
BOUNDS = {
    "exposure_ev": (-MOST_EXPOSURE_EV, MOST_EXPOSURE_EV),
    "highlights_ev": (MOST_HIGHLIGHTS_EV, 2.0),
    "shadows_ev": (-3.0, 3.0),
    "slope_percent": (-50.0, 100.0),
    "shoulder_ev": (0.5, 6.0),
    "toe_ev": (NO_TOE_EV, -4.0),
    "detail_percent": (-50.0, 100.0),
}
CARD_FROM, CARD_TO = 42.0, 58.0
EXPOSURE_FREE_EV = 0.35
ROUNDS = 2


def best(scene: Scene) -> tuple[float, float, Moves, Moves]:
    """Index of the default look and of the best one, and both looks."""
    before = [luminance_of(view) for view in views(scene.rows)]
    notes = prepared_by(Tone(), ToneSettings(), scene.rows)[0].notes
    start = Moves(**{name: float(notes[name]) for name in STEPS})

    def index(moves: Moves) -> float:
        after = finished(scene.rows, ToneSettings(**{name: getattr(moves, name) for name in STEPS}))
        return _index(before, after) if _allowed(scene, after, moves, start) else -1.0

    default = index(start)
    moves, reached = start, default
    for _ in range(ROUNDS):
        for name, step in STEPS.items():
            for way in (-step, step):
                moves, reached = _climbed(moves, reached, name, way, index)
    return default, reached, start, moves


def _climbed(
    moves: Moves, reached: float, name: str, step: float, index: Callable[[Moves], float]
) -> tuple[Moves, float]:
    """Go on in one direction as long as it helps."""
    while True:
        value = float(np.clip(getattr(moves, name) + step, *BOUNDS[name]))
        tried = replace(moves, **{name: value})
        found = index(tried) if tried != moves else -1.0
        if found <= reached + 1e-4:
            return moves, reached
        moves, reached = tried, found


def _index(before: list[Codes], after: Rows) -> float:
    pairs = zip(before, views(after), strict=True)
    return float(np.mean([tmqi(light, codes_of(view)).index for light, view in pairs]))


def _allowed(scene: Scene, after: Rows, moves: Moves, start: Moves) -> bool:
    if not scene.cards:
        return abs(moves.exposure_ev - start.exposure_ev) <= EXPOSURE_FREE_EV
    return all(CARD_FROM <= value <= CARD_TO for value in card_lightness(scene, after))


def print_reach(scenes: Iterable[Scene]) -> None:
    """One line for each scene, and the mean."""
    results = []
    for scene in scenes:
        default, reached, start, moves = best(scene)
        results.append((default, reached))
        moved = (
            f"{name} {getattr(start, name):.1f} -> {getattr(moves, name):.1f}"
            for name in STEPS
            if getattr(start, name) != getattr(moves, name)
        )
        print(f"| {scene.name:20s} | {default:.3f} | {reached:.3f} | {', '.join(moved)} |", flush=True)
    default, reached = np.mean(results, axis=0)
    print(f"mean index {default:.3f} by default, {reached:.3f} with every scene driven by hand")
