"""What the planes of each pixel come to, against numpy's own reductions."""

import numpy as np
import pytest

from panopipe.pixels.planes import highest_plane, mean_of_planes

RANDOM = np.random.default_rng(5)


@pytest.mark.parametrize("shape", [(0, 3), (7, 3), (5, 11, 3), (4, 6, 2)])
@pytest.mark.parametrize("kind", [np.float32, np.float64, np.uint16])
def test_highest(shape: tuple[int, ...], kind: type) -> None:
    pixels = (1000 * RANDOM.random(shape)).astype(kind)
    pixels.setflags(write=False)
    assert np.array_equal(highest_plane(pixels), pixels.max(axis=-1))


def test_highest_of_what_is_no_number() -> None:
    pixels = np.array([[1.0, np.nan, 2.0], [0.0, -1.0, -np.inf]])
    assert np.array_equal(highest_plane(pixels), pixels.max(axis=-1), equal_nan=True)
    assert np.array_equal(highest_plane(pixels > 0), (pixels > 0).any(axis=-1))


@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_mean(kind: type) -> None:
    pixels = RANDOM.random((13, 17, 3)).astype(kind)
    mean = mean_of_planes(pixels)
    assert mean.dtype == kind
    assert np.allclose(
        mean, pixels.mean(axis=-1), rtol=4 * np.finfo(kind).eps
    )  # in whatever order numpy adds
