import numpy as np
import pytest

from panopipe.colour.spaces import LUMINANCE_OF_WORKING
from panopipe.pixels.render import curves_of_row, read_curves
from panopipe.studies.light.base import DARKEST_EV, LEVEL_EV, Base, find_base, log2_luminance
from panopipe.studies.light.local import LocalCurves


def base_of(light_ev: np.ndarray) -> np.ndarray:
    """Base of each pixel, read from the curves."""
    base = find_base(light_ev)
    curves = LocalCurves.over(base.curves_ev, base.lowest_ev, LEVEL_EV)
    return np.stack([read(curves, row, row_ev) for row, row_ev in enumerate(light_ev)])


def read(curves: LocalCurves, row: int, light_ev: np.ndarray) -> np.ndarray:
    """Values at the pixels of a row."""
    level = ((light_ev - curves.lowest_ev) / curves.level_ev).astype(np.float32)
    return read_curves(curves_of_row(curves.table, row, len(light_ev)), level)


def halves(step_ev: float, texture_ev: float = 0.0) -> np.ndarray:
    plane = np.where(np.arange(256) < 128, -5.0, -5.0 + step_ev) * np.ones((128, 1))
    noise = np.random.default_rng(1).standard_normal(plane.shape)
    return (plane + texture_ev * noise).astype(np.float32)


def test_even_light_is_its_own_base() -> None:
    assert np.allclose(base_of(np.full((64, 128), -3.3, np.float32)), -3.3, atol=2e-3)


@pytest.mark.parametrize("step_ev", [1.5, 3.0, 6.0])
def test_a_step_stays_in_the_base_whole(step_ev: float) -> None:
    light = halves(step_ev)
    assert np.abs(base_of(light) - light).max() < 0.01


def test_texture_is_detail() -> None:
    light = halves(4.0, texture_ev=0.1)
    base = base_of(light)
    for side in (slice(8, 120), slice(136, 248)):
        assert base[20:108, side].std() < 0.03
        assert (light - base)[20:108, side].std() == pytest.approx(0.1, rel=0.1)


def test_it_is_a_bilateral_filter() -> None:
    # Against the definition: mean over the neighbourhood, weighted by distance and by likeness in EV.
    light = halves(1.0, texture_ev=0.05)
    row, column = 64, 120
    yaw = (np.arange(256) - column) * 360 / 256
    pitch = (np.arange(128) - row) * 180 / 128
    near = np.exp(-(yaw[None] ** 2 + pitch[:, None] ** 2) / (2 * 4.8**2))
    alike = np.exp(-((light - light[row, column]) ** 2) / (2 * 0.41**2))
    weight = near * alike
    assert base_of(light)[row, column] == pytest.approx((weight * light).sum() / weight.sum(), abs=0.06)


def test_what_is_seen_sums_to_one() -> None:
    base = find_base(halves(3.0, 0.3))
    assert isinstance(base, Base)
    assert np.allclose(base.seen.sum(axis=1), 1)


@pytest.mark.parametrize("width", [64, 100, 1024, 2048])
def test_any_width_is_taken(width: int) -> None:
    rows = np.random.default_rng(2).random((width // 2, width, 3), dtype=np.float32)
    light = log2_luminance(rows, LUMINANCE_OF_WORKING)
    assert light.shape[1] == min(width, 512)
    assert np.isfinite(find_base(light).curves_ev).all()


def test_black_is_a_luminance_too() -> None:
    light = log2_luminance(np.zeros((32, 64, 3), np.float32), LUMINANCE_OF_WORKING)
    assert (light == DARKEST_EV).all()


def test_curves_go_on_round_the_seam() -> None:
    grid = np.broadcast_to(np.cos(np.arange(32) / 32 * 2 * np.pi), (16, 4, 32)).copy()
    values = read(LocalCurves.over(grid, 0.0, 0.5), 16, np.zeros(256))
    steps = np.abs(np.diff(values, append=values[0]))
    assert steps.max() < 0.03
