"""Exposures joined by rows: colours of one moment, and a place that one moment alone fills."""

import numpy as np

from panopipe.studies.bracket.merger import Exposure, Merger
from panopipe.studies.bracket.motion import GRID, Motion
from panopipe.studies.bracket.moved import Moved

WIDTH = 128
STILL = Motion(np.eye(3), np.zeros((GRID // 2, GRID, 3), np.float32))
NOISE = np.array([[1e-4, 1e-6]] * 3)


def merged(lights: list[np.ndarray], times: list[float], moved: tuple[Moved, ...] = ()) -> np.ndarray:
    """Light of a bracket in which each exposure saw its own, with the noise of 10,000 electrons."""
    random = np.random.default_rng(4)
    exposures, read = [], []
    for light, time in zip(lights, times, strict=True):
        mean = light * time
        noisy = mean + np.sqrt(mean * NOISE[0, 0] + NOISE[0, 1]) * random.standard_normal(mean.shape)
        samples = np.clip(noisy, 0, 1).astype(np.float32)
        exposures.append(Exposure(time, np.zeros(3), np.ones(3), np.ones(3), NOISE, STILL))
        read.append(lambda first, last, samples=samples: samples[first:last])
    return Merger(exposures, read, WIDTH, 0, moved).rows(0, WIDTH // 2)


def plain(*light: float) -> np.ndarray:
    return np.broadcast_to(np.array(light, float), (WIDTH // 2, WIDTH, 3)).copy()


def test_light_that_changed_a_little_keeps_its_colour() -> None:
    """The long exposure lost red and saw a tenth more light: its green is not of the other's red."""
    card = plain(0.3, 0.18, 0.09)
    colour = merged([card, 1.1 * card], [1.0, 4.0]).mean((0, 1))
    assert np.allclose(
        colour / colour[1], card[0, 0] / card[0, 0, 1], rtol=0.04
    )  # what noise cannot tell stays


def test_a_place_is_filled_by_all_exposures_of_its_moment() -> None:
    """Two exposures saw the one moment: what is dark in the shorter has the longer one's noise."""
    one, other = plain(0.02, 0.02, 0.02), plain(0.05, 0.05, 0.05)
    inside = np.packbits(np.ones(20 * 20, bool))
    noise = {}
    for others in ((), (2,)):
        place = Moved(1, 20, 40, 20, 20, inside, WIDTH, others)
        light = merged([other, one, one], [1.0, 0.25, 4.0], (place,))
        assert np.isclose(light[24:36, 44:56].mean(), 0.02, rtol=0.05)
        noise[others] = light[24:36, 44:56].std()
    # Sixteen times the light, a quarter of the noise; of reading, less.
    assert noise[2,] < noise[()] / 4


def test_swayed_exposures_give_the_same_bits_however_they_are_cut() -> None:
    """Rows are kept from block to block and told between others: neither may show in what is made of them."""
    random = np.random.default_rng(7)
    width, height = 256, 128
    samples = [random.uniform(0, 0.98, (height, width, 3)).astype(np.float32) for _ in range(2)]
    drift = random.normal(0, 0.01, STILL.drift.shape).astype(np.float32)
    swayed = STILL.drifted(drift).turned(np.array([0.01, 0.4, -0.02]))
    exposures = [
        Exposure(time, np.zeros(3), np.ones(3), np.ones(3), NOISE, motion)
        for time, motion in ((1.0, STILL), (0.25, swayed))
    ]

    def merger() -> Merger:
        read = [lambda first, last, one=one: one[first:last] for one in samples]
        return Merger(exposures, read, width, 11)

    whole, cut = merger().rows(0, height), merger()
    for first, last in ((0, 5), (5, 70), (70, 128), (33, 40), (100, 101)):
        np.testing.assert_array_equal(cut.rows(first, last), whole[first:last])
