"""The level of samples between black and white."""

import numpy as np
import pytest

from panopipe.capture import Capture
from panopipe.files.recorded import ProfileColour, Recorded

COLOUR = ProfileColour(None, np.eye(3), "")


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
@pytest.mark.parametrize("black", [(16.0, 16.0, 16.0), (16.25, 15.0, 17.5)])
def test_a_table_gives_the_bits_of_the_formula(
    dtype: type[np.generic], black: tuple[float, float, float]
) -> None:
    """Whole numbers are looked up: black is 0, white 1, in any plane (DNG 1.7, chapter 5, levels)."""
    levels = np.array(black), np.array([250.0, 250.0, 250.0])
    recorded = Recorded(None, *levels, COLOUR, Capture())  # type: ignore[arg-type]
    samples = np.random.default_rng(3).integers(0, 256, (5, 7, 3)).astype(dtype)
    shares = recorded.share_of_white(samples)
    np.testing.assert_array_equal(shares, (samples.astype(np.float64) - levels[0]) / (levels[1] - levels[0]))
