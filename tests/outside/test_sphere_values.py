"""The sphere against closed forms, published projections and independent libraries."""

import numpy as np
import py360convert
import pytest
from scipy.spatial.transform import Rotation

from panopipe.sphere.geometry import (
    direction,
    pitch_of_row,
    pixel_of,
    pixel_solid_angle,
    row_of_pitch,
    yaw_of_column,
    yaw_pitch,
)
from panopipe.sphere.reduce import AreaReducer
from panopipe.sphere.views import frame_focal_px, straight_down, view_from_frame, view_towards
from panopipe.sphere.wrap import pad

pytestmark = pytest.mark.outside


@pytest.mark.parametrize(
    ("yaw_deg", "pitch_deg", "column", "row"),
    [(0, 0, 1023.5, 511.5), (-180, 0, -0.5, 511.5), (0, 90, 1023.5, -0.5), (90, -45, 1535.5, 767.5)],
)
def test_pixels_of_directions(yaw_deg: float, pitch_deg: float, column: float, row: float) -> None:
    """Closed form of the convention, frame of 2048 x 1024."""
    assert np.allclose(pixel_of(yaw_deg, pitch_deg, 2048), (column, row), atol=1e-9)
    assert yaw_of_column(column, 2048) == pytest.approx(yaw_deg, abs=1e-9)
    assert pitch_of_row(row, 1024) == pytest.approx(pitch_deg, abs=1e-9)
    assert row_of_pitch(pitch_deg, 1024) == pytest.approx(row, abs=1e-9)


def test_direction_of_yaw_and_pitch() -> None:
    """Closed form, and scipy's Rotation: capital letters turn about axes that turn along."""
    seen = direction(40, 30)
    assert np.allclose(seen, (0.556670, 0.5, 0.663414), atol=5e-7)
    yaws, pitches = np.random.default_rng(1).uniform((-180, -90), (180, 90), (500, 2)).T
    turned = Rotation.from_euler("YX", np.stack([yaws, -pitches], axis=1), degrees=True).apply((0, 0, 1))
    assert np.allclose(direction(yaws, pitches), turned, atol=1e-12)
    assert np.allclose(yaw_pitch(direction(yaws, pitches)), (yaws, pitches), atol=1e-6)


def test_solid_angles() -> None:
    """Closed form, frame of 16 x 8; the sum is the whole sphere."""
    rows = pixel_solid_angle(8)
    assert np.allclose(rows[:4], (0.029892, 0.085126, 0.127401, 0.150279), atol=5e-7)
    assert np.allclose(rows, rows[::-1], rtol=1e-12)
    for height in (8, 1024, 3072):
        assert 2 * height * pixel_solid_angle(height).sum() == pytest.approx(4 * np.pi, rel=1e-12)


def test_weighting_pays() -> None:
    """Closed form: the mean of sin^2 pitch over the sphere is 1/3, over the picture 1/2."""
    height = 1024
    square = np.sin(np.radians(pitch_of_row(np.arange(height), height))) ** 2
    weighed = np.average(square, weights=pixel_solid_angle(height))
    assert weighed == pytest.approx(1 / 3, abs=1e-5)
    assert square.mean() == pytest.approx(1 / 2, abs=1e-5)


@pytest.mark.parametrize(("height", "ratio"), [(1024, 652), (3072, 1956)])
def test_equator_and_pole_pixels(height: int, ratio: int) -> None:
    """Closed form: how much larger a pixel at the equator is."""
    rows = pixel_solid_angle(height)
    assert rows.max() / rows.min() == pytest.approx(ratio, abs=0.5)


@pytest.mark.parametrize(
    ("from_nadir_deg", "share"), [(5, 0.00190), (10, 0.00760), (15, 0.01704), (20, 0.03015), (30, 0.06699)]
)
def test_share_of_the_sphere_about_the_nadir(from_nadir_deg: float, share: float) -> None:
    """Closed form, (1 - cos a) / 2."""
    height = 3600
    below = pitch_of_row(np.arange(height), height) < from_nadir_deg - 90
    found = 2 * height * pixel_solid_angle(height)[below].sum() / (4 * np.pi)
    assert found == pytest.approx(share, abs=6e-6)


@pytest.mark.parametrize(
    ("lon", "lat", "x", "y"), [(40, 40, 0.839100, 1.095367), (30, 10, 0.577350, 0.203605)]
)
def test_gnomonic(lon: float, lat: float, x: float, y: float) -> None:
    """J. P. Snyder, Map Projections: A Working Manual, USGS Professional Paper 1395, 1987, ch. 22."""
    view = view_towards(0, 0, field_deg=120, width=1000)
    column, row = view.index_of(direction(lon, lat))
    assert (column + 0.5 - 500) / view.focal_px == pytest.approx(x, abs=1e-6)
    assert (500 - 0.5 - row) / view.focal_px == pytest.approx(y, abs=1e-6)


@pytest.mark.parametrize(
    ("pitch_deg", "radius"), [(-89, 0.017455), (-80, 0.176327), (-60, 0.577350), (-45, 1.0)]
)
def test_straight_down_radius(pitch_deg: float, radius: float) -> None:
    """Closed form: on the floor, in camera heights, it is the cotangent of the angle below the horizon."""
    view = straight_down(1000, 400.0)
    column, row = view.index_of(direction(77, pitch_deg))
    assert np.hypot(column - 499.5, row - 499.5) / 400 == pytest.approx(radius, abs=1e-6)


def smooth(directions: np.ndarray) -> np.ndarray:
    x, y, z = np.moveaxis(directions / np.linalg.norm(directions, axis=-1, keepdims=True), -1, 0)
    return 0.5 + 0.2 * np.sin(3 * x + y) + 0.2 * np.cos(2 * z - x * y)


def smooth_frame(width: int) -> np.ndarray:
    yaw = yaw_of_column(np.arange(width), width)
    pitch = pitch_of_row(np.arange(width // 2), width // 2)
    frame: np.ndarray = smooth(direction(yaw[None], pitch[:, None])).astype(np.float32)
    return frame


@pytest.mark.parametrize(("yaw_deg", "pitch_deg"), [(0, 0), (170, 35), (-90, -60)])
def test_views_against_py360convert(yaw_deg: float, pitch_deg: float) -> None:
    """py360convert 1.0.4 `e2p`, whose outermost samples lie on the edge of the field (measured)."""
    count, field = 256, 90.0
    theirs_deg = 2 * np.degrees(np.arctan(np.tan(np.radians(field / 2)) * (count - 1) / count))
    frame = smooth_frame(1024)
    theirs = py360convert.e2p(frame[..., None], theirs_deg, yaw_deg, pitch_deg, (count, count))[..., 0]
    view = view_towards(yaw_deg, pitch_deg, field_deg=field, width=count)
    assert np.abs(theirs - smooth(view.directions())).max() < 3e-4  # bilinear, at half our pixels
    assert np.abs(view_from_frame(frame, 0, view) - theirs).max() < 3e-4


@pytest.mark.parametrize(("face", "pitch_deg"), [("U", 90), ("D", -90)])
def test_poles_against_py360convert(face: str, pitch_deg: float) -> None:
    """py360convert 1.0.4 `e2c`: the upper face has its lower edge at the front, the lower its upper edge."""
    faces = py360convert.e2c(smooth_frame(1024)[..., None], 255, cube_format="dict")
    view = view_towards(0, pitch_deg, field_deg=2 * np.degrees(np.arctan(255 / 254)), width=255)
    assert np.abs(faces[face][..., 0] - smooth(view.directions())).max() < 3e-4


def test_padding_continues_the_sphere() -> None:
    """Closed form: the padded frame is the pattern itself, evaluated beyond the edges."""
    reach, width = 6, 256
    pixels = np.arange(-reach, width + reach)
    yaw, pitch = yaw_of_column(pixels, width), pitch_of_row(pixels[: width // 2 + 2 * reach], width // 2)
    beyond = smooth(direction(yaw[None], pitch[:, None]))
    assert np.allclose(pad(smooth_frame(width), reach), beyond, atol=1e-6)


def test_reduction_keeps_the_mean_over_the_sphere() -> None:
    """Closed form: the mean of 1 + sin pitch / 2 + sin^2 pitch is 4/3, at any size."""
    pitch = np.radians(pitch_of_row(np.arange(384), 384))
    row = 1 + np.sin(pitch) / 2 + np.sin(pitch) ** 2
    frame = np.broadcast_to(row[:, None, None], (384, 768, 3)).astype(np.float32)
    for width in (768, 512, 250, 64):
        reducer = AreaReducer(768, 384, width)
        reducer.take(frame, 0)
        mean = np.average(reducer.result().mean(axis=(1, 2)), weights=pixel_solid_angle(width // 2))
        assert mean == pytest.approx(4 / 3, abs=3e-5)


def test_a_pixel_of_a_view_and_of_the_frame() -> None:
    """Closed form: at its centre a view of `frame_focal_px` has the frame's resolution at the equator."""
    view = view_towards(0, 0, field_deg=60, width=501, height=501)
    scale = frame_focal_px(4096) / view.focal_px
    right, _ = yaw_pitch(view.directions()[250, 251])
    assert right / (360 / 4096) == pytest.approx(scale, rel=2e-5)
