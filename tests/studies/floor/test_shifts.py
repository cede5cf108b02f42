"""A periodic floor is found to be periodic; labels take the cheap seams; the hole is continued."""

import numpy as np

from panopipe.studies.floor.fill import fill_floor
from panopipe.studies.floor.labels import choose_labels, seam_prices
from panopipe.studies.floor.shifts import best_shifts, likeness


def checks(size=120, period=(8, 10)):
    y, x = np.mgrid[:size, :size]
    board = np.sin(2 * np.pi * y / period[0]) + np.sin(2 * np.pi * x / period[1])
    return np.repeat(board[..., None], 3, 2).astype(np.float32)


def hole_of(size=120, radius=18):
    y, x = np.mgrid[:size, :size] - size / 2 + 0.5
    return np.hypot(y, x) < radius


def test_likeness_is_the_mean_squared_difference():
    # Against the definition, summed pixel by pixel.
    picture = np.random.default_rng(1).standard_normal((40, 40, 3)).astype(np.float32)
    known = ~hole_of(40, 6)
    found = likeness(picture, known, 12)
    dy, dx = 5, -7
    here, there = np.s_[: 40 - dy, -dx:], np.s_[dy:, : 40 + dx]
    both = known[here] & known[there]
    gap = np.square(picture[here] - picture[there]).sum(-1)[both].mean()
    centred = picture - picture[known].mean(0)
    variance = np.square(centred).sum(-1)[known].mean()
    at = found.reach
    assert np.isclose(found.difference[at[0] + dy, at[1] + dx], gap / (2 * variance), rtol=2e-3)


def test_the_periods_of_a_floor_come_first():
    found = best_shifts(likeness(checks(), ~hole_of(), 60), shortest=10, count=6)
    for dy, dx in found:
        assert abs(dy / 8 - round(dy / 8)) < 0.1
        assert abs(dx / 10 - round(dx / 10)) < 0.1


def test_a_shift_and_its_opposite_come_together():
    found = best_shifts(likeness(checks(), ~hole_of(), 60), shortest=10, count=6)
    assert np.array_equal(found[::2], -found[1::2])


def test_labels_change_where_the_seam_is_free():
    # Two sources that agree only in column 6; the left end wants the first, the right end the second.
    shifted = np.zeros((2, 5, 12, 1), np.float32)
    shifted[1] = 1
    shifted[1, :, 6] = 0
    unary = np.zeros((5, 12, 2), np.float32)
    unary[:, 0, 1] = unary[:, -1, 0] = 100
    seams = seam_prices(shifted, np.ones((2, 5, 12), bool), strange=4)
    labels = choose_labels(unary, seams, np.ones((5, 12), bool))
    assert (labels[:, :6] == 0).all()
    assert (labels[:, 7:] == 1).all()


def test_a_periodic_floor_is_continued_exactly():
    light = (0.3 + 0.05 * checks()).astype(np.float32)
    hole = hole_of()
    spoiled = np.where(hole[..., None], np.float32(0), light)
    filled = fill_floor(spoiled, np.ones(hole.shape, bool), hole)
    # The floor's own contrast is .05 rms; a tenth of it may remain, as shade is estimated.
    assert np.sqrt(np.square(filled.picture - light)[hole].mean()) < 0.005
    assert filled.ring_agreement > 0.95
    assert np.array_equal(filled.picture[~hole], spoiled[~hole])


def test_an_even_floor_stays_even():
    light = np.full((120, 120, 3), 0.25, np.float32)
    hole = hole_of()
    filled = fill_floor(np.where(hole[..., None], np.float32(0), light), np.ones(hole.shape, bool), hole)
    assert np.abs(filled.picture - 0.25).max() < 1e-4
