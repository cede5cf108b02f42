import colour
import numpy as np
import pytest

from panopipe.colour.adaptation import adaptation_matrix
from panopipe.colour.lab import lab_from_xyz
from panopipe.colour.oklab import oklab_from_working
from panopipe.colour.spaces import (
    D50_XY,
    D65_XY,
    SRGB_FROM_WORKING,
    SRGB_FROM_XYZ,
    WORKING_FROM_SRGB,
    XYZ_FROM_SRGB,
    xyz_from_xy,
)
from panopipe.pixels import gamut
from panopipe.pixels.gamut import CEILING, LINE, fit, is_outside
from tests.measures.oklab import chroma_hue


def fit_to_srgb(colours: np.ndarray, *, ceiling: float = 1.0) -> np.ndarray:
    """Colours with those outside sRGB brought in, as the coder does it."""
    outside = is_outside(colours, ceiling)
    fitted, moved = colours.copy(), colours[outside]
    fit(moved, LINE, ceiling)
    fitted[outside] = moved
    return fitted


def colours_of(rgb: object) -> np.ndarray:
    return np.reshape(rgb, (-1, 3)).astype(np.float32)


def oklab(rgb: np.ndarray) -> np.ndarray:
    return oklab_from_working(rgb.astype(np.float64) @ WORKING_FROM_SRGB.T)


def hue_shift_deg(before: np.ndarray, after: np.ndarray) -> np.ndarray:
    """Where a hue is left to speak of."""
    (_, hue1), (chroma, hue2) = chroma_hue(oklab(before)), chroma_hue(oklab(after))
    return np.abs((hue2 - hue1 + 180) % 360 - 180)[chroma > 0.01]


def real_colours() -> np.ndarray:
    """All "Munsell Colours Real" (colour-science), as linear sRGB under their own light C."""
    xyy = np.array([value[1] for value in colour.MUNSELL_COLOURS["Munsell Colours Real"]])
    xyz = colour.xyY_to_XYZ(xyy * (1, 1, 0.01))
    xyz = colour.chromatic_adaptation(
        xyz, colour.xy_to_XYZ((0.31006, 0.31616)), colour.xy_to_XYZ((0.3127, 0.3290))
    )
    return colours_of(xyz @ SRGB_FROM_XYZ.T)


def wide_colours(seed: int) -> np.ndarray:
    rgb = np.random.default_rng(seed).random((20000, 3)) ** 2 * 1.3
    return colours_of(rgb @ SRGB_FROM_WORKING.T)


def test_what_fits_passes_bit_for_bit() -> None:
    rgb = colours_of(np.random.default_rng(0).random((5000, 3)))
    rgb[:3] = [[0, 0, 0], [1, 1, 1], [1, 0, 1]]
    assert np.array_equal(fit_to_srgb(rgb), rgb)
    mixed = np.concatenate([rgb, wide_colours(1)], axis=0)
    assert np.array_equal(fit_to_srgb(mixed)[: len(rgb)], rgb)


@pytest.mark.parametrize("colours", [real_colours(), wide_colours(2)], ids=["real surfaces", "wide"])
def test_hue_and_lightness_stay(colours: np.ndarray) -> None:
    outside = ((colours < 0) | (colours > 1)).any(axis=1)
    assert outside.sum() > 100
    fitted = fit_to_srgb(colours)
    assert fitted.min() >= 0
    assert fitted.max() <= 1
    darker_than_white = oklab(colours)[:, 0] < 1
    before, after = colours[darker_than_white], fitted[darker_than_white]
    assert hue_shift_deg(before, after).max() < 0.2
    assert np.abs(oklab(before)[:, 0] - oklab(after)[:, 0]).max() < 1e-4


def test_chroma_goes_no_further_than_the_edge() -> None:
    colours = wide_colours(3)
    colours = colours[((colours < 0) | (colours > 1)).any(axis=1) & (oklab(colours)[:, 0] < 1)]
    fitted = fit_to_srgb(colours)
    distance_to_edge = np.minimum(fitted, 1 - fitted).min(axis=1)
    assert distance_to_edge.max() < 2e-5


def test_the_cyan_patch_of_the_chart() -> None:
    """A real paint that sRGB cannot show (its red is negative): hue by CIELAB moves little too.

    xyY under D50 from the data set of the 24-patch chart in colour-science 0.4.7.
    """
    to_d65 = adaptation_matrix(xyz_from_xy(D50_XY), xyz_from_xy(D65_XY))
    cyan = colours_of(SRGB_FROM_XYZ @ to_d65 @ (xyz_from_xy((0.2091, 0.3027)) * 0.1806))
    assert cyan[0, 0] < 0
    fitted = fit_to_srgb(cyan)
    white = XYZ_FROM_SRGB.sum(axis=1)
    before, after = (lab_from_xyz(rgb @ XYZ_FROM_SRGB.T, white)[0] for rgb in (cyan, fitted))
    hue1, hue2 = (np.degrees(np.arctan2(lab[2], lab[1])) for lab in (before, after))
    assert abs(hue1 - hue2) < 2
    assert abs(before[0] - after[0]) < 0.5


@pytest.mark.parametrize("target", [(1.2, -0.2, 0.1), (-0.3, 0.8, 0.9), (-0.05, -0.1, 1.4), (0.9, 1.3, -0.2)])
def test_ramps_go_on_without_a_jump(target: tuple) -> None:
    """From grey to far outside in 2000 steps: no output step is larger than a few input steps."""
    share = np.linspace(0, 1, 2000)[:, None]
    ramp = colours_of(0.3 + share * (np.array(target) - 0.3))
    step_in = np.abs(np.diff(oklab(ramp), axis=0)).max()
    step_out = np.abs(np.diff(oklab(fit_to_srgb(ramp)), axis=0)).max()
    assert step_out < 3 * step_in


def test_under_a_ceiling_only_light_greys_go_above_it() -> None:
    colours = wide_colours(7)
    lightness = oklab(colours)[:, 0]
    fitted = fit_to_srgb(colours, ceiling=CEILING)
    darker = (lightness > 0) & (lightness**3 < CEILING)
    assert fitted[darker].max() <= CEILING + 1e-6
    assert np.abs(oklab(fitted)[darker, 0] - lightness[darker]).max() < 1e-4
    assert hue_shift_deg(colours[darker], fitted[darker]).max() < 0.2
    grey = colours_of(np.linspace(0, 1, 50)[:, None] * np.ones(3))
    assert np.abs(fit_to_srgb(grey, ceiling=CEILING) - grey).max() < 1e-5


def test_too_light_is_white_and_too_dark_is_black() -> None:
    rgb = colours_of([[3, 3, 3], [5, 4, 3.9], [-0.01, -0.01, -0.01]])
    assert np.allclose(fit_to_srgb(rgb), [[1, 1, 1], [1, 1, 1], [0, 0, 0]], atol=1e-6)


def test_a_pixels_bits_do_not_depend_on_its_neighbours() -> None:
    colours = wide_colours(4)
    whole = fit_to_srgb(colours)
    for some in (slice(0, 1), slice(5, 8), slice(100, 1133)):
        assert np.array_equal(fit_to_srgb(colours[some]), whole[some])


def test_both_forms_give_the_same_bits() -> None:
    colours = wide_colours(8) * 1.5 - 0.3
    compiled, defined = colours.copy(), colours.copy()
    gamut.fit(compiled, gamut.LINE, CEILING)
    gamut.fit.__wrapped__(defined, gamut.LINE, CEILING)
    assert np.array_equal(compiled, defined)


def test_where_a_line_leaves_twice_it_stops_the_first_time() -> None:
    """Deep blues: beside them the surface of sRGB bends inwards. Found by trying 20,000 shares in float64."""
    blue = np.array([[5.8734498e-04, -4.1160411e-03, 3.4219840e-01]], np.float32)
    roots = np.cbrt(gamut.LINE[:3].astype(float) @ blue[0])
    lightness, tints = gamut.LINE[3] @ roots, gamut.LINE[4:7] @ roots
    tried = (lightness + np.linspace(0, 1, 20001)[:, None] * tints) ** 3 @ gamut.LINE[7:].T.astype(float)
    inside = tried.min(axis=1) >= 0
    assert np.diff(inside.astype(int)).tolist().count(-1) == 2
    assert np.abs(fit_to_srgb(blue)[0] - tried[np.argmin(inside)]).max() < 1e-4
