import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from panopipe.sphere.anchor import ANCHOR_ROWS, anchor_column, anchor_rows

WIDTH = 60


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 1000), turn=st.integers(0, WIDTH - 1), floats=st.booleans())
def test_it_turns_with_the_picture(seed: int, turn: int, floats: bool) -> None:
    random = np.random.default_rng(seed)
    rows = random.integers(0, 65536, (5, WIDTH, 3), dtype=np.uint16)
    samples = rows.astype(np.float32) / 3 if floats else rows
    anchor = anchor_column(list(samples))
    assert anchor_column(list(np.roll(samples, turn, axis=1))) == (anchor + turn) % WIDTH


@settings(max_examples=60, deadline=None)
@given(columns=st.lists(st.integers(0, 2), min_size=WIDTH, max_size=WIDTH), turn=st.integers(0, WIDTH - 1))
def test_equal_columns_are_told_apart_by_what_follows_them(columns: list[int], turn: int) -> None:
    """A clipped sky ties many columns: then the turn of the picture itself must still be the same."""
    rows = np.array(columns, np.uint16)[None, :, None]
    turned = np.roll(rows, turn, axis=1)
    upright = np.roll(rows, -anchor_column(list(rows)), axis=1)
    assert np.array_equal(np.roll(turned, -anchor_column(list(turned)), axis=1), upright)


def test_planes_and_rows_do_not_cancel() -> None:
    """The same samples in another plane or row are another column."""
    rows = np.zeros((2, 8, 3), np.uint16)
    rows[0, 2], rows[0, 5], rows[1, 7] = (9, 0, 0), (0, 9, 0), (9, 0, 0)
    scores = {anchor_column(list(np.roll(rows, -k, axis=1))) for k in range(8)}
    assert len(scores) == 8


def test_a_plain_frame_has_an_anchor_too() -> None:
    assert anchor_column([np.full((12288, 3), 7, np.uint16)]) == 0


def test_rows_are_spread_between_the_poles() -> None:
    rows = anchor_rows(1024)
    assert len(rows) == ANCHOR_ROWS == len(set(rows))
    assert np.allclose(np.diff(rows), 1024 / ANCHOR_ROWS, atol=1)
    assert anchor_rows(3) == [0, 1, 2]


def test_no_rows_are_refused() -> None:
    with pytest.raises(ValueError, match="no rows"):
        anchor_column([])
