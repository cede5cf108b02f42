import colour
import numpy as np
import pytest
from skimage.color import deltaE_ciede2000 as delta_e_2000

from panopipe.colour.adaptation import adaptation_matrix, working_adaptation
from panopipe.colour.lab import lab_from_xyz
from panopipe.colour.oklab import oklab_from_working
from panopipe.colour.spaces import D65_XY, WORKING_FROM_XYZ, XYZ_FROM_WORKING, xyz_from_xy
from panopipe.colour.temperature import planckian_xy
from panopipe.frame import Band, Frame, FrameFacts, FrameKey
from panopipe.stage import StageContext
from panopipe.stages.vibrance import Vibrance, VibranceSettings, chroma_gain, raise_chroma
from tests.measures.oklab import chroma_hue

FULL = 30.0
WHITE = xyz_from_xy(D65_XY)
KEY = FrameKey("lounge", "lounge-01")


def run(rgb: np.ndarray, percent: float, correction: np.ndarray | None = None) -> np.ndarray:
    """Send colours of shape (n, 3) through the stage as one row of pixels."""
    rows = rgb.astype(np.float32)[None].copy()
    facts = FrameFacts(KEY, rows.shape[1], rows.shape[1] // 2, correction=correction)
    settings = VibranceSettings(dull_chroma_percent=percent)
    prepared = Vibrance().prepare(StageContext(Frame(rows, facts)), settings).data
    return rows[0] if prepared is None else Vibrance().apply(Band(rows, 0, facts), settings, prepared)[0]


def lab(rgb: np.ndarray) -> np.ndarray:
    return lab_from_xyz(rgb.astype(np.float64) @ XYZ_FROM_WORKING.T, WHITE)


def hue_shift_deg(before: np.ndarray, after: np.ndarray) -> np.ndarray:
    (_, first), (_, second) = chroma_hue(before), chroma_hue(after)
    return np.abs((second - first + 180) % 360 - 180)


@pytest.fixture(scope="module")
def munsell() -> np.ndarray:
    """The 2734 "Munsell Colours Real" of colour-science, adapted from illuminant C to D65."""
    xyy = np.array([colours for _, colours in colour.MUNSELL_COLOURS["Munsell Colours Real"]])
    xyy[:, 2] /= 100
    illuminant_c = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["C"]
    to_d65 = adaptation_matrix(xyz_from_xy(illuminant_c), WHITE)
    return colour.xyY_to_XYZ(xyy) @ to_d65.T @ WORKING_FROM_XYZ.T


@pytest.fixture(scope="module")
def chart() -> np.ndarray:
    """The 24 patches after November 2014 of colour-science, adapted from D50 to D65."""
    data = colour.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]
    xyz = colour.xyY_to_XYZ(np.array(list(data.data.values())))
    return xyz @ adaptation_matrix(xyz_from_xy(data.illuminant), WHITE).T @ WORKING_FROM_XYZ.T


@pytest.mark.outside
@pytest.mark.parametrize("percent", [FULL, -FULL])
def test_hue_holds_over_real_colours(munsell: np.ndarray, chart: np.ndarray, percent: float) -> None:
    for colours in (munsell, chart):
        after = run(colours, percent)
        before_lab, after_lab = lab(colours), lab(after)
        coloured = chroma_hue(before_lab)[0] > 2  # greyer than that has no hue to speak of
        assert hue_shift_deg(before_lab, after_lab)[coloured].max() < 2
        shift = hue_shift_deg(oklab_from_working(colours), oklab_from_working(after))
        assert shift[coloured].max() < 0.5


@pytest.mark.outside
def test_neutrals_stay(munsell: np.ndarray) -> None:
    grey = np.repeat([0.02, 0.05, 0.09, 0.20, 0.36, 0.59, 0.9], 3).reshape(-1, 3)
    assert delta_e_2000(lab(grey), lab(run(grey, FULL))).max() < 0.2
    names = [name for name, _ in colour.MUNSELL_COLOURS["Munsell Colours Real"]]
    assert len(names) == len(munsell)


def test_dull_colours_gain_more_than_vivid_ones_and_skin(chart: np.ndarray) -> None:
    gain = chroma_hue(oklab_from_working(run(chart, FULL)))[0] / chroma_hue(oklab_from_working(chart))[0]
    names = list(colour.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"].data)
    by_name = dict(zip(names, gain, strict=True))
    vivid = [by_name[name] for name in ("red", "blue", "yellow", "magenta", "orange", "green")]
    dull = [by_name[name] for name in ("blue sky", "foliage", "blue flower")]
    assert min(dull) > 1.08
    assert max(vivid) < 1.05 < min(dull)
    assert max(by_name["dark skin"], by_name["light skin"]) < min(dull)


def test_the_table_is_the_formula_to_a_tenth_of_a_delta_e(munsell: np.ndarray) -> None:
    exact = raise_chroma(munsell, FULL / 100)
    assert delta_e_2000(lab(exact), lab(run(munsell, FULL))).max() < 0.1


@pytest.mark.parametrize("kelvin", [2700, 4000, 9000])
def test_it_commutes_with_balance(chart: np.ndarray, kelvin: float) -> None:
    lamp = xyz_from_xy(planckian_xy(kelvin))
    correction = working_adaptation(lamp, WHITE)
    seen = chart @ np.linalg.inv(correction).T
    vibrance_first = run(seen, FULL, correction) @ correction.T
    balance_first = run(seen @ correction.T, FULL)
    assert delta_e_2000(lab(vibrance_first), lab(balance_first)).max() < 0.5


def test_more_chroma_never_ends_with_less() -> None:
    chroma = np.linspace(0, 0.6, 3000)
    for hue in range(0, 360, 15):
        for strength in (0.3, -0.3):
            raised = chroma * chroma_gain(strength, chroma, np.full_like(chroma, hue))
            assert np.diff(raised).min() > 0


def test_brightness_makes_no_difference(chart: np.ndarray) -> None:
    assert np.allclose(run(chart * 8, FULL), 8 * run(chart, FULL), rtol=1e-5, atol=1e-6)


def test_zero_changes_nothing(chart: np.ndarray) -> None:
    rows = chart.astype(np.float32)
    look = StageContext(Frame(rows[None], FrameFacts(KEY, 24, 12)))
    assert Vibrance().prepare(look, VibranceSettings(dull_chroma_percent=0.0)).data is None


def test_light_that_no_display_knows_survives() -> None:
    odd = np.array([[0, 0, 0], [-0.01, 0.2, 0.1], [-1, -1, -1], [1e-30, 0, 0], [5e4, 1, -3], [1, -0.9, 0.1]])
    after = run(odd, FULL)
    assert np.isfinite(after).all()
    assert np.allclose(after[[0, 2, 3]], odd[[0, 2, 3]], atol=1e-6)


@pytest.mark.parametrize("width", [64, 250, 1022])
def test_the_same_bits_however_cut(width: int) -> None:
    rows = np.random.default_rng(4).random((13, width, 3), dtype=np.float32)
    facts = FrameFacts(KEY, width, width // 2)
    settings = VibranceSettings(dull_chroma_percent=20.0)
    stage = Vibrance()
    prepared = stage.prepare(StageContext(Frame(rows, facts)), settings).data
    whole = stage.apply(Band(rows.copy(), 0, facts), settings, prepared)
    cuts = [(0, 5), (5, 6), (6, 13)]
    parts = [stage.apply(Band(rows[a:b].copy(), a, facts), settings, prepared) for a, b in cuts]
    assert np.array_equal(whole, np.concatenate(parts))
