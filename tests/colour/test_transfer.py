import numpy as np
import pytest

from panopipe.colour.transfer import srgb_decode, srgb_encode


def test_the_curve_and_its_inverse() -> None:
    value = np.linspace(-0.5, 2, 5001)
    assert np.allclose(srgb_encode(srgb_decode(value)), value, atol=1e-7)
    assert np.all(np.diff(srgb_encode(value)) > 0)


@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_floats_keep_their_kind(kind: type) -> None:
    value = np.array([0.001, 0.5, 1], dtype=kind)
    assert srgb_encode(value).dtype == srgb_decode(value).dtype == kind


def test_below_zero_is_mirrored() -> None:
    assert srgb_encode(-0.18) == -srgb_encode(0.18)
    assert srgb_decode(-0.02) == -srgb_decode(0.02)
