"""Places where something moved: found, decided whole, and not found in noise."""

import numpy as np

from panopipe.studies.bracket.moved import Moved, find_moved
from panopipe.studies.bracket.register import Look

NOISE = np.array([[1e-4, 1e-6]] * 3) / 36
TIMES = (1.0, 0.25, 4.0)


def looks(lights: list[np.ndarray], seed: int = 2) -> list[Look]:
    random = np.random.default_rng(seed)
    found = []
    for light, time in zip(lights, TIMES, strict=True):
        mean = light * time
        noisy = mean + np.sqrt(mean * NOISE[0, 0] + NOISE[0, 1]) * random.standard_normal(mean.shape)
        found.append(Look(np.clip(noisy, 0, 1).astype(np.float32), NOISE))
    return found


def wall(level: float = 0.1) -> np.ndarray:
    return np.full((256, 512, 3), level)


def test_noise_alone_is_no_motion() -> None:
    assert find_moved(looks([wall()] * 3), TIMES, 0) == ()


def test_a_thing_in_one_exposure_is_one_place_and_the_reference_is_used() -> None:
    with_thing = wall()
    with_thing[100:120, 200:215] *= 0.5
    (place,) = find_moved(looks([wall(), wall(), with_thing]), TIMES, 0)
    assert (place.exposure, place.others) == (0, (1,))
    mask = np.zeros((256, 512), bool)
    mask[place.top : place.top + place.rows, place.left : place.left + place.columns] = place.mask()
    assert mask[98:122, 198:217].all()
    assert mask.sum() < 34 * 29 + 1


def test_a_thing_before_a_wall_that_the_long_exposure_clips_is_found() -> None:
    bright, with_thing = wall(0.5), wall(0.5)
    with_thing[100:120, 200:215] = 0.05
    assert len(find_moved(looks([bright, bright, with_thing]), TIMES, 0)) == 1


def test_a_place_across_the_cut_is_one() -> None:
    with_thing = wall()
    with_thing[100:120, :8] *= 0.5
    with_thing[100:120, -8:] *= 0.5
    (place,) = find_moved(looks([wall(), with_thing, wall()]), TIMES, 0)
    assert place.left > 490
    assert place.columns < 34


def test_an_exposure_that_clips_the_place_is_not_used() -> None:
    lamp, shade = wall(), wall()
    lamp[100:120, 200:215] = 3.0
    (place,) = find_moved(looks([lamp, shade, lamp]), TIMES, 0)
    assert (place.exposure, place.others) == (1, ())


def test_a_place_from_a_job_folder_is_checked() -> None:
    sound = Moved(0, 10, 500, 4, 20, np.zeros(10, np.uint8), 512)
    assert sound.is_sound(1)
    assert not Moved(1, 10, 500, 4, 20, np.zeros(10, np.uint8), 512).is_sound(1)
    assert not Moved(0, 10, 500, 4, 20, np.zeros(9, np.uint8), 512).is_sound(1)
    assert Moved(0, 10, 500, 4, 20, np.zeros(10, np.uint8), 512, (2,)).is_sound(3)
    assert not Moved(0, 10, 500, 4, 20, np.zeros(10, np.uint8), 512, (3,)).is_sound(3)
    assert not Moved(0, 10, 500, 4, 20, np.zeros(10, np.uint8), 512, (0,)).is_sound(3)
    assert not Moved(0, 254, 500, 4, 20, np.zeros(10, np.uint8), 512).is_sound(1)
