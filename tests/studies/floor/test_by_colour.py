"""On a floor of coloured stripes, shade is what is left once colours are told from each other."""

import numpy as np
import pytest

from panopipe.studies.floor.by_colour import without_materials

ROWS, COLUMNS = 100, 400


def stripes(grey):
    """Stripes half an EV apart, of two colours or of one, with 2 % of noise."""
    rng = np.random.default_rng(5)
    dark = (np.arange(COLUMNS) // 25 % 2 == 0)[None, :, None]
    other = np.array((0.4, 0.4, 0.4) if grey else (0.5, 0.3, 0.25))
    light = np.where(dark, other / np.sqrt(2), np.array((0.4, 0.4, 0.4)))
    return (light * (1 + 0.02 * rng.standard_normal((ROWS, COLUMNS, 1)))).astype(np.float32)


def test_stripes_go_and_shade_stays():
    shade = np.where(np.abs(np.arange(ROWS) - 50) < 10, 0.88, 1.0)[:, None, None].astype(np.float32)
    left = without_materials(np.log(stripes(grey=False) * shade))
    assert left is not None
    grey = left.mean(-1)
    # The noise of a row's 400 pixels is .001; light and dark stripes of one row must agree.
    halves = [grey[:, np.arange(COLUMNS) // 25 % 2 == each].mean(1) for each in (0, 1)]
    assert np.abs(np.diff(halves[0] - halves[0].mean()) - np.diff(halves[1] - halves[1].mean())).max() < 0.01
    assert grey[45:55].mean() - grey[:30].mean() == pytest.approx(np.log(0.88), abs=0.005)


def test_where_colour_tells_nothing_nothing_is_said():
    assert without_materials(np.log(stripes(grey=True))) is None


def test_light_of_two_colours_is_no_material():
    """Lamp on one side, window on the other: what changes slowly is light."""
    rng = np.random.default_rng(6)
    lamp = np.linspace(0, 1, COLUMNS)[None, :, None]
    light = lamp * np.array((0.9, 0.5, 0.2)) + (1 - lamp) * np.array((0.15, 0.2, 0.3))
    floor = light * (1 + 0.05 * rng.standard_normal((ROWS, COLUMNS, 1)))
    assert without_materials(np.log(floor.astype(np.float32))) is None
