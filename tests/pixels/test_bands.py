"""Energies of bands: both forms give the same bits, and nothing leads out of an array."""

import numpy as np
import pytest

from panopipe.pixels import compiled
from panopipe.pixels.bands import BLOCK, band_energies
from panopipe.studies.noise.scales import white_shares

RANDOM = np.random.default_rng(7)
needs_kernels = pytest.mark.skipif(
    not compiled.COMPILED, reason="panopipe was installed without a compiler; the definitions in numpy run"
)


def given(rows: int, width: int, spacing: int, stretches: list[int], blocks: tuple[int, int]) -> list:
    """Arguments of `band_energies`; the finest scale is the one of spacing 1."""
    planes = RANDOM.standard_normal((3, rows, width)).astype(np.float32)
    columns = (spacing * RANDOM.choice(stretches, rows)).astype(np.int32)
    smooth = np.zeros((3, rows - 4 * spacing, width), np.float32)
    first = (rows - 4 * spacing - BLOCK * blocks[0]) // 2
    return [
        planes,
        spacing,
        int(spacing == 1),
        first,
        columns,
        smooth,
        np.ones((9, *blocks), np.float32),
    ]


@pytest.mark.parametrize(
    ("rows", "width", "spacing", "stretches", "blocks"),
    [
        (44, 512, 1, [1], (2, 32)),
        (44, 260, 1, [1, 2, 4, 8], (2, 16)),
        (40, 257, 2, [1, 2, 4], (2, 16)),
        (24, 64, 2, [1, 2], (0, 4)),
        (35, 32, 4, [1], (1, 1)),
    ],
)
def test_both_forms_give_the_same_bits(
    rows: int, width: int, spacing: int, stretches: list[int], blocks: tuple[int, int]
) -> None:
    fast = given(rows, width, spacing, stretches, blocks)
    slow = [*fast[:-2], fast[-2].copy(), fast[-1].copy()]
    band_energies(*fast)
    band_energies.__wrapped__(*slow)
    assert np.array_equal(fast[-2], slow[-2])
    assert np.array_equal(fast[-1], slow[-1])


def test_the_bands_of_noise_hold_its_energy() -> None:
    """As much as the impulse responses of their filters tell."""
    arguments = given(1 + 4 + 40 * BLOCK, 40 * BLOCK, 1, [1], (40, 40))
    band_energies(*arguments)
    found = arguments[-1].reshape(3, 3, -1).mean(axis=(0, 2))
    assert np.allclose(found, white_shares(0), rtol=0.02)  # of 3 planes of 640 x 640 samples


@needs_kernels
@pytest.mark.parametrize(
    ("which", "value"),
    [
        (1, 0),
        (3, -1),
        (3, 9),
        (4, np.full(44, 40, np.int32)),
        (4, np.zeros(44, np.int32)),
        (5, np.zeros((3, 41, 256), np.float32)),
        (6, np.zeros((9, 3, 16), np.float32)),
        (6, np.zeros((9, 2, 17), np.float32)),
    ],
)
def test_what_leads_out_of_an_array_is_refused(which: int, value: object) -> None:
    arguments = given(44, 256, 1, [1], (2, 16))
    arguments[which] = value
    with pytest.raises(ValueError):
        band_energies(*arguments)
