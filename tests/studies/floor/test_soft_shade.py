"""Floor that is seen in a foot's soft shade keeps its own joints; what is no floor stays rebuilt."""

import numpy as np
import pytest

from panopipe.studies.floor.soft_shade import with_seen

SIDE, FOOT, HOLE = 260, 50, 90
ROWS, COLUMNS = np.indices((SIDE, SIDE)) - (SIDE - 1) / 2
AWAY = np.hypot(ROWS, COLUMNS)
HOLE_MASK, SHOWN = AWAY < HOLE, AWAY > FOOT
SHADE = np.where(AWAY > FOOT, 1 - 0.25 * np.exp(-(AWAY - FOOT) / 15), 0.1)[..., None]


def floor(joint_row, seed=3):
    """Grey floor with grain and one dark joint."""
    grain = np.random.default_rng(seed).normal(0, 0.02, (SIDE, SIDE, 1))
    light = np.repeat(0.3 * np.exp(grain), 3, -1)
    light[joint_row : joint_row + 3] *= 0.6
    return light.astype(np.float32)


def hidden(light):
    return (light * SHADE).astype(np.float32)


def test_floor_in_soft_shade_comes_back_as_it_is() -> None:
    """Rebuilt floor of another grain: beside the foot the true one is seen."""
    true, rebuilt = floor(90), floor(90, seed=4)
    filled = np.where(HOLE_MASK[..., None], rebuilt, true)
    after = with_seen(hidden(true), filled, HOLE_MASK, SHOWN)
    beside = HOLE_MASK & (AWAY > FOOT + 6)
    before_off, off = (np.log(each / true)[beside].mean(-1) for each in (filled, after))
    # Grain of .02 in either is .028 between the two.
    assert np.sqrt(np.square(before_off).mean()) > 0.025
    assert np.sqrt(np.square(off).mean()) < 0.014
    assert abs(off.mean()) < 0.005


def test_under_the_foot_and_outside_nothing_changes() -> None:
    true, rebuilt = floor(90), floor(94, seed=4)
    filled = np.where(HOLE_MASK[..., None], rebuilt, true)
    after = with_seen(hidden(true), filled, HOLE_MASK, SHOWN)
    assert np.array_equal(after[~SHOWN], filled[~SHOWN])
    assert np.array_equal(after[~HOLE_MASK], filled[~HOLE_MASK])


@pytest.mark.parametrize(("shade", "broad_px"), [(0.3, 5), (2.0, 5), (0.5, 1), (0.9, 4)])
def test_what_is_no_floor_stays_rebuilt(shade: float, broad_px: int) -> None:
    """The end of a leg that the outline of the foot left out, a thin rim of it, the shadow of a pole."""
    true = floor(90)
    seen = hidden(true)
    leg = (np.abs(COLUMNS) < broad_px) & (ROWS > FOOT) & (ROWS < 75)
    seen[leg] *= np.float32(shade)
    after = with_seen(seen, true, HOLE_MASK, SHOWN)
    assert np.abs(np.log(after / true))[leg].max() < 0.05


def test_a_hole_that_is_all_foot_stays_as_filled() -> None:
    filled = floor(90)
    assert with_seen(hidden(filled), filled, HOLE_MASK, ~HOLE_MASK) is filled


def test_a_view_turned_a_quarter_gives_the_same() -> None:
    true, filled = floor(90), floor(94, seed=4)
    filled = np.where(HOLE_MASK[..., None], filled, true)
    after = with_seen(hidden(true), filled, HOLE_MASK, SHOWN)
    turned = with_seen(
        np.rot90(hidden(true)).copy(),
        np.rot90(filled).copy(),
        np.rot90(HOLE_MASK).copy(),
        np.rot90(SHOWN).copy(),
    )
    assert np.allclose(np.rot90(after), turned, atol=2e-3)


def test_a_shade_of_more_pixels_than_a_picture_may_have_rows_is_taken() -> None:
    """The library's limit is 32,767 rows; frames of 18 megapixels show more of a foot's shade."""
    true = floor(90)
    after = with_seen(hidden(true), true, AWAY < 126, SHOWN)
    assert ((AWAY < 126) & SHOWN).sum() > 40000
    assert np.abs(np.log(after / true))[AWAY > FOOT + 6].mean() < 0.005
