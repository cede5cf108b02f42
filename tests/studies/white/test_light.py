"""Light parted from surface: it commutes with turns, keeps what is smooth, leaves out what jumps."""

import numpy as np

from panopipe.sphere.geometry import direction, pitch_of_row, pixel_solid_angle, yaw_of_column
from panopipe.studies.white.light import light_field

JUMP = np.array([0.2, 0.2])
EVERYWHERE = np.ones((32, 64), dtype=bool)


def smooth() -> np.ndarray:
    """A field of degree 1 on the sphere."""
    way = direction(yaw_of_column(np.arange(64), 64)[None], pitch_of_row(np.arange(32), 32)[:, None])
    return np.stack([0.3 * way[..., 0] + 0.2 * way[..., 1], 0.4 * way[..., 2]], axis=-1)


def centred(field: np.ndarray) -> np.ndarray:
    weight = np.repeat(pixel_solid_angle(32)[:, None], 64, axis=1)
    return field - np.average(field, axis=(0, 1), weights=weight)


def test_a_smooth_light_is_all_light() -> None:
    np.testing.assert_allclose(light_field(smooth(), EVERYWHERE, JUMP), centred(smooth()), atol=0.01)


def test_surfaces_are_left_out() -> None:
    painted = smooth()
    painted[8:20, 10:30] += (0.9, -0.7)
    painted[18:, 40:50] += (-0.5, 0.5)
    found = light_field(painted, EVERYWHERE, JUMP)
    assert np.abs(found - centred(smooth())).max() < 0.08


def test_an_edge_that_a_cell_cuts_in_two_is_left_out() -> None:
    step = np.zeros((32, 64, 2))
    step[:16] = 0.15
    step[16] = 0.075  # either half is below the jump
    assert np.abs(light_field(step, EVERYWHERE, JUMP)).max() < 1e-6


def test_it_turns_with_the_frame() -> None:
    painted = smooth()
    painted[8:20, 10:30] += (0.9, -0.7)
    turned = light_field(np.roll(painted, 17, axis=1), EVERYWHERE, JUMP)
    np.testing.assert_allclose(
        turned, np.roll(light_field(painted, EVERYWHERE, JUMP), 17, axis=1), atol=1e-12
    )


def test_unknown_cells_do_not_count() -> None:
    known, values = EVERYWHERE.copy(), smooth()
    known[10:14, 20:26] = False
    values[~known] = 50.0
    assert np.abs(light_field(values, known, JUMP) - centred(smooth())).max() < 0.05


def test_its_mean_over_the_sphere_is_nought() -> None:
    weight = np.repeat(pixel_solid_angle(32)[:, None], 64, axis=1)
    field = light_field(smooth() + 3.0, EVERYWHERE, JUMP)
    np.testing.assert_allclose(np.average(field, axis=(0, 1), weights=weight), 0, atol=2e-3)
