import numpy as np
import pytest
from scipy.ndimage import uniform_filter
from scipy.spatial.transform import Rotation

from panopipe.sphere.filters import box_mean, smooth
from panopipe.sphere.geometry import direction, pitch_of_row, pixel_solid_angle, yaw_of_column

HEIGHT = 128


@pytest.fixture
def noise() -> np.ndarray:
    return np.random.default_rng(3).random((HEIGHT, 2 * HEIGHT))


def sphere(height: int) -> np.ndarray:
    return direction(
        yaw_of_column(np.arange(2 * height), 2 * height)[None],
        pitch_of_row(np.arange(height), height)[:, None],
    )


@pytest.mark.parametrize("filtered", [box_mean, smooth])
def test_a_constant_frame_stays_constant(filtered) -> None:
    assert np.allclose(filtered(np.full((64, 128), 0.7), 9.0), 0.7, rtol=0, atol=1e-12)


@pytest.mark.parametrize("columns", [1, 37, 128])
def test_a_turned_frame_gives_the_turned_result(noise: np.ndarray, columns: int) -> None:
    turned = np.roll(smooth(noise, 6.0), columns, axis=1)
    assert np.allclose(smooth(np.roll(noise, columns, axis=1), 6.0), turned, rtol=0, atol=1e-12)


def test_a_reach_of_zero_changes_nothing_at_the_equator(noise: np.ndarray) -> None:
    middle = slice(HEIGHT // 2 - 2, HEIGHT // 2 + 2)
    assert np.allclose(box_mean(noise, 0.0)[middle], noise[middle], rtol=0, atol=1e-3)


def test_the_mean_over_the_sphere_is_kept() -> None:
    # A window of constant solid angle moves light, it doesn't make any; what is left is the window's shape
    # near the poles.
    x, y, z = np.moveaxis(sphere(HEIGHT), -1, 0)
    scene = 1 + 0.5 * x * y + 0.3 * z**2 + 0.2 * y
    weight = pixel_solid_angle(HEIGHT)[:, None] / (4 * np.pi)
    before, after = ((frame * weight).sum() * 2 for frame in (scene, smooth(scene, 5.0)))
    assert after == pytest.approx(before, rel=2e-3)


def test_the_zenith_is_one_value_and_the_pole_a_point_like_any_other() -> None:
    # The same soft spot at the pole and at the equator must come out the same.
    def spot(towards: np.ndarray) -> np.ndarray:
        return np.exp(-(np.degrees(np.arccos(np.clip(sphere(HEIGHT) @ towards, -1, 1))) ** 2) / (2 * 12.0**2))

    at_pole = smooth(spot(np.array([0.0, 1, 0])), 6.0)
    at_equator = smooth(spot(np.array([0.0, 0, 1])), 6.0)
    assert np.ptp(at_pole[0]) < 1e-9
    # Rings about the pole stand in for squares about the pixel: 4 % at a spot twice as wide as the window.
    assert at_pole[0].mean() == pytest.approx(at_equator.max(), rel=0.05)


def test_no_step_over_the_pole(noise: np.ndarray) -> None:
    result = smooth(noise, 8.0)
    over = np.abs(result[0] - np.roll(result[0], HEIGHT)).mean()
    elsewhere = np.abs(np.diff(result[40:60], axis=0)).mean()
    assert over < 2 * elsewhere


def test_a_scene_turned_to_the_pole_is_filtered_alike() -> None:
    turn = Rotation.from_euler("X", 90, degrees=True)
    tilted = sphere(HEIGHT) @ turn.as_matrix()

    def scene(rays: np.ndarray) -> np.ndarray:
        return 1 + 0.6 * rays[..., 0] * rays[..., 2] + 0.4 * rays[..., 1] ** 3

    # A smooth scene of low order is damped by nearly the same factor wherever it lies.
    upright, turned = smooth(scene(sphere(HEIGHT)), 5.0), smooth(scene(tilted), 5.0)
    assert np.ptp(upright) == pytest.approx(np.ptp(turned), rel=0.02)


@pytest.mark.outside
def test_at_the_equator_it_is_scipys_box(noise: np.ndarray) -> None:
    # scipy.ndimage.uniform_filter, 7 x 7, wrapping.
    ours = box_mean(noise, 3.5 * 360 / noise.shape[1])
    theirs = uniform_filter(noise, 7, mode="wrap")
    middle = slice(HEIGHT // 2 - 1, HEIGHT // 2 + 1)
    assert np.allclose(ours[middle], theirs[middle], rtol=0, atol=2e-3)


def test_three_boxes_have_the_variance_asked_for() -> None:
    line = np.zeros((180, 360))
    line[:, 180] = 1
    spread = smooth(line, 5.0)[90]
    away = np.arange(360) - 180
    assert np.sqrt((spread * away**2).sum() / spread.sum()) == pytest.approx(5.0, abs=0.06)


@pytest.mark.parametrize("shape", [(64, 127), (64, 64), (128,)])
def test_what_is_no_frame_is_refused(shape: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="whole 2:1"):
        box_mean(np.zeros(shape), 3.0)


def test_a_reach_beyond_a_quarter_turn_is_refused() -> None:
    with pytest.raises(ValueError, match="120"):
        box_mean(np.zeros((8, 16)), 120.0)
