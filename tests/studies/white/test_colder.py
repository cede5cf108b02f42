"""Daylight on what lies low, in a room that shows no paint."""

import numpy as np
import pytest

from panopipe.studies.white.colder import FROM_MIRED, colder
from panopipe.studies.white.cones import PLACE_PER_MIRED

LAMP = 150 * PLACE_PER_MIRED
"""Length along the curve of the light that was found, everywhere."""
BED = np.s_[40:46, 60:70]
"""Cells 22 to 40 degrees below the horizon."""


def found(seen_mired: float, at: tuple[slice, slice] = BED, across: float = 0.0) -> np.ndarray:
    """What is found where some cells look that much colder than all others, in mired."""
    length = np.full((64, 128), LAMP)
    length[at] -= seen_mired * PLACE_PER_MIRED
    beside = np.zeros(length.shape)
    beside[at] = across
    return colder(length, beside, np.full(length.shape, LAMP), np.ones(length.shape)) / PLACE_PER_MIRED


def test_white_linen_before_a_window_is_lit_as_cold_as_it_looks_and_the_wall_is_not() -> None:
    shift = found(80.0)
    assert shift[42:44, 63:67].min() > 0.8 * 80
    assert shift[20:30].max() < 0.05 * 80
    assert shift[:, :45].max() < 0.01 * 80


@pytest.mark.parametrize(
    ("seen_mired", "at", "across"),
    [
        (FROM_MIRED, BED, 0.0),  # no colder than wood is brown
        (-80.0, BED, 0.0),  # warmer: wood
        (80.0, np.s_[20:26, 60:70], 0.0),  # high: a picture on the wall
        (80.0, BED, 0.3),  # beside the mixtures: a colour
        (80.0, np.s_[34:52, :], 0.0),  # all round: a blue carpet or blue walls
    ],
)
def test_what_is_no_daylight_changes_nothing(
    seen_mired: float, at: tuple[slice, slice], across: float
) -> None:
    assert found(seen_mired, at, across).max() < 0.02 * 80


def test_what_is_found_turns_with_the_frame() -> None:
    turned = found(80.0, np.s_[40:46, 100:110])
    assert np.allclose(np.roll(found(80.0), 40, axis=1), turned, atol=0.05)  # what the search leaves
