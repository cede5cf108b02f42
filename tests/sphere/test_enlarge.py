from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from panopipe.pixels.enlarge import MARGIN, enlarge
from panopipe.sphere.enlarge import Doubler
from panopipe.sphere.wrap import pad

FRAME = np.random.default_rng(3).random((96, 192, 3), dtype=np.float32)


def doubled(frame: np.ndarray, cuts: list[int]) -> np.ndarray:
    doubler, parts = Doubler(len(frame)), []
    for first, last in pairwise([0, *sorted(cuts), len(frame)]):
        for rows, row in doubler.take(frame[first:last], first):
            assert row == sum(map(len, parts))
            parts.append(rows)
    return np.concatenate(parts)


@settings(max_examples=25, deadline=None)
@given(cuts=st.lists(st.integers(0, 96), max_size=12))
def test_the_same_bits_however_it_is_cut(cuts: list[int]) -> None:
    assert np.array_equal(doubled(FRAME, cuts), doubled(FRAME, []))


def test_rows_go_on_over_the_poles_and_round_the_seam() -> None:
    around = pad(FRAME, MARGIN)
    out = np.empty((192, 2 * around.shape[1], 3), np.float32)
    enlarge(around, out)
    assert np.array_equal(doubled(FRAME, []), out[:, 2 * MARGIN : -2 * MARGIN])


def test_a_turned_frame_gives_the_turned_one() -> None:
    assert np.array_equal(doubled(np.roll(FRAME, 31, axis=1), [40]), np.roll(doubled(FRAME, []), 62, axis=1))


def test_a_frame_turned_upside_down_gives_the_same_upside_down() -> None:
    """Nothing is nearer to one pole than to the other."""
    assert np.array_equal(doubled(FRAME[::-1], [17]), doubled(FRAME, [])[::-1])
