from dataclasses import replace

import numpy as np
import pytest

from panopipe.pixels import render as form
from panopipe.pixels.render import Shoulder, render

RANDOM = np.random.default_rng(12)
GAINS = RANDOM.uniform(-3, 3, (18, 34, 7)).astype(np.float32)
SHARES = RANDOM.random(GAINS.shape, np.float32)
WEIGHTS = RANDOM.random((11, 3), np.float32)
WEIGHTS /= WEIGHTS.sum(axis=1, keepdims=True)
SHOULDER = Shoulder(white_point=8.0, knee=0.7, headroom=0.3, channel_share=0.35)


def rendered(rows: np.ndarray, first: int = 0, **other: object) -> np.ndarray:
    found = rows.copy()
    kinds = {"gains": GAINS, "shares": SHARES, "weights": WEIGHTS, "shoulder": SHOULDER} | other
    render(found, first, levels_ev=(-6.0, 1.5), **kinds)  # type: ignore[arg-type]
    return found


def light(width: int) -> np.ndarray:
    """A whole frame, from black to far beyond the white point."""
    strength = np.exp2(RANDOM.uniform(-12, 6, (width // 2, width, 1)))
    rows = (strength * RANDOM.random((width // 2, width, 3))).astype(np.float32)
    rows[::5, ::7] = 0
    return rows


@pytest.mark.parametrize("width", [2, 126, 128, 400])
@pytest.mark.parametrize("shares", [SHARES, None])
@pytest.mark.parametrize("white_point", [0.0, 8.0])
def test_both_forms_give_the_same_bits(
    width: int, shares: np.ndarray | None, white_point: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows, kinds = light(width), {"shares": shares, "shoulder": replace(SHOULDER, white_point=white_point)}
    compiled = rendered(rows, **kinds)
    monkeypatch.setattr(form, "_render", form._render.__wrapped__)
    assert np.array_equal(rendered(rows, **kinds), compiled)


def test_same_bits_however_cut() -> None:
    rows = light(300)
    whole = rendered(rows)
    for cut in (1, 7, 32):
        parts = [rendered(rows[at : at + cut], at) for at in range(0, 150, cut)]
        assert np.array_equal(np.concatenate(parts), whole)
