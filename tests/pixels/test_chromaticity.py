import numpy as np
import pytest

from panopipe.pixels.chromaticity import _shift, shift_colours

RANDOM = np.random.default_rng(6)
TABLE = RANDOM.random((24, 24, 4), np.float32)


@pytest.mark.parametrize("count", [0, 1, 127, 128, 1001])
def test_both_forms_give_the_same_bits(count: int) -> None:
    compiled = RANDOM.random((count, 3), np.float32) * 1.6 - np.float32(0.3)
    defined = compiled.copy()
    _shift(compiled, TABLE, 15.0, 3.0)
    _shift.__wrapped__(defined, TABLE, 15.0, 3.0)
    assert np.array_equal(compiled, defined)


def test_a_node_says_what_is_added() -> None:
    """Shares of 3/23 and 9/23 of red and green, lit by 2 and by 5."""
    share = np.array([3, 9, 11]) / 23
    for light in (2, 5):
        rows = (share * light).astype(np.float32)[None, None]
        moved = shift_colours(rows.copy(), TABLE, 0.0, 1.0) - rows
        assert np.allclose(moved, TABLE[9, 3, :3] * light, atol=1e-4)


def test_strange_light_stays_inside_the_table() -> None:
    """Places are clamped before the table is read: light that no file holds costs no more than its pixel."""
    strange = [[0, 0, 0], [-1, -1, -1], [1e30, 0, -1e30], [np.inf, 1, 1], [np.nan, 0, 0], [-0.2, 1.4, -0.2]]
    rows = shift_colours(np.array([strange], np.float32), TABLE, 0.0, 1.0)
    assert np.abs(rows[0, 0]).max() < 1e-8
    assert np.isfinite(rows[0, [0, 1, 5]]).all()
