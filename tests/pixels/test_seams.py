"""Prices of seams and messages over them: both forms give the same bits, and what each of them means."""

import numpy as np
import pytest

from panopipe.pixels import compiled
from panopipe.pixels.seams import pair_gaps, sweep, window_gap

RANDOM = np.random.default_rng(11)
needs_kernels = pytest.mark.skipif(
    not compiled.COMPILED, reason="panopipe was installed without a compiler; the definitions in numpy run"
)


@pytest.mark.parametrize("channels", [1, 2, 5])
def test_a_window_against_the_picture(channels: int) -> None:
    planes = RANDOM.random((channels, 40, 150), dtype=np.float32)
    window = RANDOM.random((channels, 17, 131), dtype=np.float32)
    fast, slow = np.empty((2, 17, 131), np.float32)
    window_gap(planes, 23, 19, window, fast)
    window_gap.__wrapped__(planes, 23, 19, window, slow)
    assert np.array_equal(fast, slow)
    wanted = np.square(planes[:, 23:, 19:].astype(float) - window).sum(0)
    assert np.allclose(fast, wanted, rtol=1e-5, atol=1e-6)  # single precision


@needs_kernels
@pytest.mark.parametrize("corner", [(-1, 0), (0, -1), (4, 0), (0, 3)])
def test_a_window_that_leaves_the_picture(corner: tuple[int, int]) -> None:
    planes, window = np.ones((1, 8, 8), np.float32), np.ones((1, 5, 6), np.float32)
    with pytest.raises(ValueError, match="not within"):
        window_gap(planes, *corner, window, np.empty((5, 6), np.float32))


def test_each_two_layers() -> None:
    planes = RANDOM.random((4 * 3, 7, 139), dtype=np.float32)
    known = (RANDOM.random((4, 7, 139)) > 0.2).astype(np.uint8)
    fast, slow = np.empty((2, 7, 6, 139), np.float32)
    pair_gaps(planes, 3, known, 2.5, fast)
    pair_gaps.__wrapped__(planes, 3, known, 2.5, slow)
    assert np.array_equal(fast, slow)
    layers = planes.reshape(4, 3, 7, 139)
    pairs = [(0, 1), (0, 2), (0, 3), (1, 2), (1, 3), (2, 3)]
    for index, (one, other) in enumerate(pairs):
        both = (known[one] & known[other]).astype(bool)
        assert (fast[:, index][~both] == 2.5).all()
        wanted = np.square(layers[one].astype(float) - layers[other]).sum(0)
        assert np.allclose(fast[:, index][both], wanted[both], rtol=1e-5, atol=1e-6)


@pytest.mark.parametrize(
    ("lines", "labels", "pixels"), [(2, 2, 3), (9, 5, 20), (6, 18, 150), (1, 3, 8), (4, 1, 8)]
)
def test_messages(lines: int, labels: int, pixels: int) -> None:
    own = RANDOM.random((lines, labels, pixels), dtype=np.float32)
    prices = RANDOM.random((lines, labels * (labels - 1) // 2, pixels), dtype=np.float32)
    linked = (RANDOM.random((lines - 1, pixels)) > 0.2).astype(np.uint8)
    before = RANDOM.random((2, lines, labels, pixels), dtype=np.float32)
    fast, slow = before.copy(), before.copy()
    sweep(own, prices, linked, *fast)
    sweep.__wrapped__(own, prices, linked, *slow)
    assert np.array_equal(fast, slow)
    if lines > 1:
        assert (fast[0, 1:].min(1) == 0).all()
        assert (fast[0, 1:].transpose(0, 2, 1)[linked == 0] == 0).all()


def test_a_label_passes_a_message_on_where_a_seam_is_dear() -> None:
    # By hand: label 0 costs 3 on the first line; a seam costs 2 (1 on either line), less than to keep it.
    own, prices = np.zeros((2, 2, 1), np.float32), np.ones((2, 1, 1), np.float32)
    own[0, 0] = 3
    forth, back = np.zeros((2, 2, 2, 1), np.float32)
    sweep(own, prices, np.ones((1, 1), np.uint8), forth, back)
    assert forth[1, :, 0].tolist() == [2, 0]
    assert back[0, :, 0].tolist() == [0, 0]


@needs_kernels
def test_prices_that_are_not_of_all_pairs() -> None:
    own, linked = np.zeros((3, 4, 5), np.float32), np.zeros((2, 5), np.uint8)
    with pytest.raises(ValueError, match="all pairs"):
        sweep(own, np.zeros((3, 5, 5), np.float32), linked, own.copy(), own.copy())
    with pytest.raises(ValueError, match="all pairs"):
        pair_gaps(own, 2, np.ones((2, 4, 5), np.uint8), 1.0, np.zeros((4, 1, 5), np.float32))
