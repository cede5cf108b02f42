import numpy as np
import pytest

from panopipe.sphere.geometry import direction, pitch_of_row, pixel_of, yaw_of_column, yaw_pitch
from panopipe.sphere.turn import _places, levelling_rotation, turn_in_place

WIDTH, HEIGHT = 1024, 512


STEP = 5e-4
"""Bicubic sampling of this picture is off by 2e-7 at 1024 wide; OpenCV's tables know 32 places in a pixel,
and the picture changes by up to 0.01 a pixel along either axis: 0.01 / 32 times the root of two."""


def smooth(toward: np.ndarray) -> np.ndarray:
    """A picture that is smooth on the sphere, poles included: low-order polynomials of the direction."""
    x, y, z = np.moveaxis(toward, -1, 0)
    return np.stack([x * y + 0.3 * z, y * y - 0.4 * x, x * z + 0.2 * y + 0.5], axis=-1)


def directions() -> np.ndarray:
    pitch = pitch_of_row(np.arange(HEIGHT), HEIGHT)[:, None]
    return direction(yaw_of_column(np.arange(WIDTH), WIDTH)[None], pitch)


def test_the_true_zenith_comes_to_the_top() -> None:
    zenith = levelling_rotation(7.0, 35.0) @ [0.0, 1.0, 0.0]
    yaw, pitch = yaw_pitch(zenith)
    assert (yaw, pitch) == (pytest.approx(35.0), pytest.approx(83.0))


def test_it_is_a_rotation_about_a_horizontal_axis() -> None:
    rotation = levelling_rotation(4.0, -120.0)
    axis = direction(-120.0 + 90.0, 0.0)
    assert np.allclose(rotation @ rotation.T, np.eye(3), atol=1e-15)
    assert np.allclose(rotation @ axis, axis, atol=1e-15)


@pytest.mark.parametrize("tilt_deg", [0.5, 3.0, 12.0])
def test_a_smooth_sphere_turns_as_its_formula_does(tilt_deg: float) -> None:
    rotation = levelling_rotation(tilt_deg, 70.0)
    rows = smooth(directions()).astype(np.float32)
    turn_in_place(rows, rotation)
    assert np.abs(rows - smooth(directions() @ rotation.T)).max() < STEP


def test_no_rotation_changes_nothing() -> None:
    rows = np.random.default_rng(2).random((64, 128, 3), dtype=np.float32)
    before = rows.copy()
    turn_in_place(rows, np.eye(3))
    # Places in single precision: half a unit of 128, 4e-6 of a pixel, on slopes of up to 2 along either axis.
    assert np.abs(rows - before).max() < 2 * 2 * 4e-6


@pytest.mark.parametrize("tilt_deg", [0.3, 12.0])
def test_single_precision_does_for_very_wide_frames(tilt_deg: float) -> None:
    """Three roundings, of direction, angle and place, are each up to 5e-4 of a pixel; poles and seam too."""
    width, rotation = 12288, levelling_rotation(tilt_deg, 40.0)
    for first in (0, width // 8, width // 4 - 8, width // 2 - 16):
        column, row = _places(rotation, first, first + 16, width)
        pitch = pitch_of_row(np.arange(first, first + 16), width // 2)[:, None]
        exact = pixel_of(
            *yaw_pitch(direction(yaw_of_column(np.arange(width), width), pitch) @ rotation.T), width
        )
        off = (column - exact[0] + width / 2) % width - width / 2
        assert np.abs(off * np.cos(np.radians(pitch_of_row(exact[1], width // 2)))).max() < 2e-3
        assert np.abs(row - exact[1]).max() < 2e-3


def test_there_and_back() -> None:
    rows = smooth(directions()).astype(np.float32)
    turn_in_place(rows, levelling_rotation(5.0, 10.0))
    turn_in_place(rows, levelling_rotation(5.0, 10.0).T)
    assert np.abs(rows - smooth(directions())).max() < 2 * STEP


def test_a_part_of_a_frame_is_refused() -> None:
    with pytest.raises(ValueError, match="2:1"):
        turn_in_place(np.zeros((8, 32, 3), np.float32), np.eye(3))
