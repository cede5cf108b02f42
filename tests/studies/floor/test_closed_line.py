"""The best closed line goes where the gain is, and is the same wherever its first column lies."""

import itertools

import numpy as np
import pytest

from panopipe.studies.floor.closed_line import best_closed_line


def bend_of(states: int, price: float) -> np.ndarray:
    return price * np.abs(np.arange(states)[:, None] - np.arange(states)[None, :]).astype(float)


@pytest.mark.parametrize("seed", range(5))
def test_no_other_closed_line_gains_more(seed: int) -> None:
    gain, bend = np.random.default_rng(seed).normal(size=(3, 6)), bend_of(3, 0.4)

    def worth(line: tuple[int, ...]) -> float:
        steps = zip(line, (*line[1:], line[0]), strict=True)
        return sum(gain[s, c] for c, s in enumerate(line)) - sum(bend[a, b] for a, b in steps)

    best = max(worth(line) for line in itertools.product(range(3), repeat=6))
    assert worth(tuple(best_closed_line(gain, bend).tolist())) == pytest.approx(best)


def test_turning_the_gain_turns_the_line() -> None:
    gain, bend = np.random.default_rng(7).normal(size=(8, 40)), bend_of(8, 0.3)
    still = best_closed_line(gain, bend)
    assert np.array_equal(best_closed_line(np.roll(gain, 11, axis=1), bend), np.roll(still, 11))
