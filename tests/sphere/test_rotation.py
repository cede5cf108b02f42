"""Two spheres of one place: the rotation between them is found, whatever the exposure."""

import cv2
import numpy as np
import pytest

from panopipe.sphere.rotation import register, turned
from panopipe.sphere.wrap import pad


def textured(width: int, seed: int) -> np.ndarray:
    """Luminance with structure at all scales, smooth at the poles' cut and the sides."""
    random, light = np.random.default_rng(seed), np.zeros((width // 2, width))
    for sigma in (2, 5, 12):
        noise = pad(random.standard_normal(light.shape), 4 * sigma)
        smooth = cv2.GaussianBlur(noise, (0, 0), sigma)[4 * sigma : -4 * sigma, 4 * sigma : -4 * sigma]
        light += smooth / smooth.std()
    return np.exp2(light).astype(np.float32)


def off_deg(found: np.ndarray, true: np.ndarray) -> float:
    return float(np.degrees(np.linalg.norm(cv2.Rodrigues(found @ true.T)[0])))


@pytest.mark.parametrize(
    "vector_deg", [(0.2, 0.1, -0.3), (2.0, -3.0, 1.0), (1.0, 170.0, -1.0), (3.0, 60.0, 0.0)]
)
def test_a_rotation_is_found_to_a_thirtieth_of_a_pixel(vector_deg: tuple[float, float, float]) -> None:
    # Cubic resampling of structure two pixels across leaves errors below .03 px (common practice, no source).
    light = textured(512, 1)
    true = cv2.Rodrigues(np.radians(vector_deg))[0]
    found = register(3 * turned(light, true), light)
    assert off_deg(found.rotation, true) < 360 / 512 / 30
    assert found.agreement > 0.95


def test_other_exposure_clipping_and_a_moved_thing_do_not_matter() -> None:
    light = textured(512, 2)
    true = cv2.Rodrigues(np.radians((1.0, 5.0, -0.5)))[0]
    other = np.minimum(turned(light, true) * 0.3, np.float32(0.6))
    other[120:190, 200:240] = 0.4
    assert off_deg(register(other, light).rotation, true) < 0.05


def test_unrelated_places_do_not_agree() -> None:
    assert register(textured(256, 3), textured(256, 4)).agreement < 0.2


def test_a_turned_frame_turns_its_rotation() -> None:
    light, by = textured(256, 5), 77
    true = cv2.Rodrigues(np.radians((0.5, 2.0, 0.3)))[0]
    other = turned(light, true)
    before = register(light, other).rotation
    turn = cv2.Rodrigues(np.radians((0.0, 360 * by / 256, 0.0)))[0]
    # A roll to the right by k shows at yaw y what lay at y - k: other's directions go on from there.
    after = register(light, np.roll(other, by, axis=1)).rotation
    assert off_deg(after, turn @ before) < 1e-3


def test_frames_of_unlike_size_are_refused() -> None:
    with pytest.raises(ValueError, match="one size"):
        register(np.ones((8, 16)), np.ones((4, 8)))
