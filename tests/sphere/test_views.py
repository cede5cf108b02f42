"""Flat views: exact on patterns of known truth, closed at the seam and the poles, and back into the frame."""

import math

import numpy as np
import py360convert
import pytest

from panopipe.sphere.from_view import write_view
from panopipe.sphere.geometry import direction, pitch_of_row, yaw_of_column
from panopipe.sphere.views import frame_focal_px, straight_down, view_from_frame, view_towards
from tests.measures.views import rows_needed

WIDTH, HEIGHT = 2048, 1024


def pattern(seen):
    """A smooth pattern over the sphere, as a function of unit directions."""
    x, y, z = np.moveaxis(seen, -1, 0)
    return np.stack([0.5 + 0.2 * np.sin(5 * x) + 0.1 * y, 0.5 + 0.3 * z * x, 0.5 + 0.2 * np.cos(4 * y)], -1)


def pattern_frame():
    yaw, pitch = yaw_of_column(np.arange(WIDTH), WIDTH), pitch_of_row(np.arange(HEIGHT), HEIGHT)
    return pattern(direction(yaw[None, :], pitch[:, None])).astype(np.float32)


def pattern_view(view):
    seen = view.directions()
    return pattern(seen / np.linalg.norm(seen, axis=-1, keepdims=True))


VIEWS = {
    "ahead": view_towards(40, 20, field_deg=90, width=512),
    "over the side edge": view_towards(180, -10, field_deg=80, width=300, height=200),
    "zenith": view_towards(10, 90, field_deg=60, width=256),
    "nadir, turned": straight_down(512, frame_focal_px(WIDTH), 30),
}


@pytest.mark.parametrize("name", VIEWS)
def test_view_shows_the_pattern_everywhere(name):
    # The row averaging near a pole spans one pixel at the equator: its error is at most the pattern's second
    # derivative (about 16 x .2) times a pixel squared / 24, or 1.3e-6; the float32 maps and the kernel's
    # 1/32-pixel steps leave gradient (1 per radian) x pixel / 64 x 2 axes, 1e-4, doubled for both axes.
    shown = view_from_frame(pattern_frame(), 0, VIEWS[name])
    assert np.abs(shown - pattern_view(VIEWS[name])).max() < 2e-4


@pytest.mark.outside
def test_view_agrees_with_py360convert_on_pixel_centres():
    # py360convert 1.0.4 puts its outermost samples on the edge of the field: for n pixel centres inside the
    # same field it must be asked for 2 atan(tan(field / 2) (n - 1) / n).
    frame, count = pattern_frame(), 512
    field = 2 * math.degrees(math.atan(math.tan(math.radians(45)) * (count - 1) / count))
    theirs = py360convert.e2p(frame, (field, field), 40, 20, (count, count), mode="bilinear")
    ours = view_from_frame(frame, 0, view_towards(40, 20, field_deg=90, width=count), kernel="linear")
    assert np.abs(ours - theirs).max() < 1e-4


@pytest.mark.outside
def test_straight_down_view_is_the_floor_in_camera_heights():
    # Closed form: radius cot(-pitch): pitch -60 lies at .577350, pitch -45 at 1.
    view = straight_down(401, 200.0)
    right, down = view.index_of(direction([90, 0], [-60, -45]))
    assert right[0] - 200 == pytest.approx(0.577350 * 200, abs=2e-4)
    assert 200 - down[1] == pytest.approx(200)


@pytest.mark.outside
def test_gnomonic_forward_matches_snyder():
    # Snyder 1987, USGS PP 1395, equatorial aspect: x = tan lon, y = tan lat / cos lon;
    # (40, 40) is (.839100, 1.095367).
    view = view_towards(0, 0, field_deg=120, width=1000)
    column, row = view.index_of(direction(40, 40))
    assert (column + 0.5 - 500) / view.focal_px == pytest.approx(0.839100, abs=1e-6)
    assert (500 - row - 0.5) / view.focal_px == pytest.approx(1.095367, abs=1e-6)


def test_directions_and_indices_are_inverse():
    view = view_towards(123, -67, field_deg=70, width=31, height=17)
    column, row = view.index_of(view.directions())
    assert np.allclose(column, np.arange(31)[None, :], atol=1e-9)
    assert np.allclose(row, np.arange(17)[:, None], atol=1e-9)


def test_a_turned_frame_shows_the_same_view_under_a_turned_heading():
    frame, turn = pattern_frame(), 256
    view, turned = straight_down(256, 200, 0), straight_down(256, 200, 360 * turn / WIDTH)
    there = view_from_frame(np.roll(frame, turn, axis=1), 0, turned)
    assert np.abs(there - view_from_frame(frame, 0, view)).max() < 2e-4


def test_a_band_of_the_bottom_rows_is_enough():
    frame, view = pattern_frame(), straight_down(200, 200)
    first, last = rows_needed(view, WIDTH)
    assert last == HEIGHT
    assert first > HEIGHT * 0.6
    assert np.array_equal(view_from_frame(frame[first:], first, view), view_from_frame(frame, 0, view))


def test_missing_rows_are_named():
    view = straight_down(800, 200)
    with pytest.raises(ValueError, match="are needed"):
        view_from_frame(pattern_frame()[1000:], 1000, view)


def test_a_view_wider_than_half_the_sphere_is_refused():
    with pytest.raises(ValueError, match="180"):
        view_towards(0, 0, field_deg=180, width=10)


def test_a_coarse_view_averages_instead_of_aliasing():
    # A one-pixel chessboard has the mean .5; point sampling would give 0 or 1.
    board = (np.indices((HEIGHT, WIDTH)).sum(0) % 2).astype(np.float32)
    shown = view_from_frame(board, 0, view_towards(0, 0, field_deg=60, width=40))
    assert abs(float(shown.mean()) - 0.5) < 0.01
    assert float(shown.std()) < 0.1


def test_at_the_pole_a_view_averages_the_columns_a_pixel_spans():
    # Independent noise of the frame's pixels must fade where many columns fall into one pixel of the view.
    noise = np.random.default_rng(3).standard_normal((HEIGHT, WIDTH)).astype(np.float32)
    shown = view_from_frame(noise, 0, straight_down(64, frame_focal_px(WIDTH)))
    assert float(shown[28:36, 28:36].std()) < 0.5


def test_writing_back_changes_only_what_is_covered():
    frame = pattern_frame()[800:]
    before = frame.copy()
    view = straight_down(200, frame_focal_px(WIDTH))
    right, up = view.plane()
    cover = (np.hypot(right - 0.02, up) < 0.2).astype(np.float32)
    begin, end = write_view(frame, 800, view, np.full((200, 200, 3), 9, np.float32), cover)
    yaw, pitch = yaw_of_column(np.arange(WIDTH), WIDTH), pitch_of_row(np.arange(800, HEIGHT), HEIGHT)
    column, row = view.index_of(direction(yaw[None, :], pitch[:, None]))
    middle = (view.width - 1) / 2
    away = np.hypot((column - middle) / view.focal_px - 0.02, (middle - row) / view.focal_px)
    # Between samples of the cover it is blended: less than two of them from the edge.
    outside, inside = away > 0.2 + 2 / view.focal_px, away < 0.2 - 2 / view.focal_px
    assert np.array_equal(frame[outside], before[outside])
    assert np.allclose(frame[inside], 9, rtol=1e-5)
    changed = np.flatnonzero((frame != before).any(axis=(1, 2)))
    assert (begin, end) == (800 + changed[0], HEIGHT)


def written(picture, view, first):
    """Rows from `first` to the nadir that a view covers in full."""
    rows = np.zeros((HEIGHT - first, WIDTH, picture.shape[2]), np.float32)
    write_view(rows, first, view, picture, np.ones(picture.shape[:2], np.float32))
    return rows


def test_there_and_back_keeps_the_picture():
    frame = pattern_frame()
    view = straight_down(256, frame_focal_px(WIDTH), 77)
    back = written(view_from_frame(frame, 0, view), view, 980)
    assert np.abs(back - frame[980:]).max() < 4e-4


def test_a_fine_picture_is_averaged_down_into_the_frame():
    view = straight_down(2000, 2000 / 0.5)
    board = np.dstack([np.indices((2000, 2000)).sum(0) % 2] * 3).astype(np.float32)
    assert np.abs(written(board, view, 1000) - 0.5).max() < 0.1
