import numpy as np
import pytest

from panopipe.pixels import adaptation as form
from panopipe.pixels.adaptation import adapt_rows

RANDOM = np.random.default_rng(21)
GAINS = RANDOM.uniform(0.5, 2, (10, 18, 3)).astype(np.float32)
WHITE = np.array([1.02, 1.0, 0.9], np.float32)


def adapted(rows: np.ndarray, first: int = 0, gains: np.ndarray = GAINS) -> np.ndarray:
    found = rows.copy()
    adapt_rows(found, first, gains=gains, white=WHITE, saturating=(0.9, 1.4))
    return found


def light(width: int) -> np.ndarray:
    return (RANDOM.random((width // 2, width, 3)) * 1.8).astype(np.float32)


@pytest.mark.parametrize("width", [2, 126, 128, 400])
def test_both_forms_give_the_same_bits(width: int, monkeypatch: pytest.MonkeyPatch) -> None:
    rows = light(width)
    compiled = adapted(rows)
    monkeypatch.setattr(form, "_adapt", form._adapt.__wrapped__)
    assert np.array_equal(adapted(rows), compiled)


def test_same_bits_however_cut() -> None:
    rows = light(300)
    whole = adapted(rows)
    for cut in (1, 7, 32):
        parts = [adapted(rows[at : at + cut], at) for at in range(0, 150, cut)]
        assert np.array_equal(np.concatenate(parts), whole)


def test_even_gains_scale_the_channels_below_saturation() -> None:
    rows, gain = (light(64) * 0.5).astype(np.float32), np.array([1.2, 1.0, 0.7], np.float32)
    found = adapted(rows, gains=np.tile(gain, (10, 18, 1)))
    assert np.allclose(found, rows * gain, rtol=1e-6)


def test_saturated_grey_takes_the_colour_of_the_white_whatever_the_gains() -> None:
    rows = np.full((32, 64, 3), 1.5, np.float32)
    assert np.allclose(adapted(rows), 1.5 * WHITE, atol=1e-5)
