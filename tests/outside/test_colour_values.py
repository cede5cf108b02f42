"""Colour against published values. Each table names its source."""

import colour
import numpy as np
import pytest
from skimage.color import deltaE_ciede2000 as delta_e_2000

from panopipe.colour.adaptation import BRADFORD, adaptation_matrix
from panopipe.colour.lab import lab_from_xyz
from panopipe.colour.oklab import oklab_from_working
from panopipe.colour.spaces import (
    D50_XY,
    D65_XY,
    LUMINANCE_OF_WORKING,
    SRGB_FROM_XYZ,
    WORKING_FROM_SRGB,
    WORKING_FROM_XYZ,
    XYZ_FROM_SRGB,
    XYZ_FROM_WORKING,
    xyz_from_xy,
)
from panopipe.colour.transfer import srgb_decode, srgb_encode
from tests.measures.oklab import chroma_hue

pytestmark = pytest.mark.outside

D65, D50 = xyz_from_xy(D65_XY), xyz_from_xy(D50_XY)
A_XYZ, VON_KRIES = (
    xyz_from_xy((0.44758, 0.40745)),
    np.array([[0.40024, 0.7076, -0.08081], [-0.2263, 1.16532, 0.0457], [0, 0, 0.91822]]),
)

CAT16 = np.array(
    [[0.401288, 0.650173, -0.051461], [-0.250268, 1.204414, 0.045854], [-0.002079, 0.048952, 0.953127]]
)
"""XYZ to the CAT16 cone space (Li et al., Comprehensive color solutions, Color Res. Appl. 42, 2017)."""


@pytest.mark.parametrize(
    ("linear", "coded"),
    [
        (0.001, 0.012920),
        (0.0031308, 0.040450),
        (0.01, 0.099853),
        (0.18, 0.461356),
        (0.214041, 0.5),
        (0.5, 0.735357),
        (0.9, 0.954687),
        (1, 1),
    ],
)
def test_srgb_curve(linear: float, coded: float) -> None:
    """IEC 61966-2-1; values computed with colour-science 0.4.7."""
    assert srgb_encode(linear) == pytest.approx(coded, abs=1e-6)


@pytest.mark.parametrize(
    ("code", "linear"),
    [
        (10, 0.0030353),
        (11, 0.0033465),
        (118, 0.181164),
        (128, 0.215861),
        (188, 0.502886),
        (250, 0.955973),
    ],
)
def test_srgb_codes(code: int, linear: float) -> None:
    """IEC 61966-2-1; values computed with colour-science 0.4.7."""
    assert srgb_decode(code / 255) == pytest.approx(linear, abs=1e-6)


def test_srgb_primaries() -> None:
    """Printed matrix: IEC 61966-2-1, equation 7; longer digits follow from BT.709 primaries."""
    printed = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    derived = [
        [0.41239080, 0.35758434, 0.18048079],
        [0.21263901, 0.71516868, 0.07219232],
        [0.01933082, 0.11919478, 0.95053215],
    ]
    assert np.allclose(XYZ_FROM_SRGB, printed, atol=1e-4)
    assert np.allclose(XYZ_FROM_SRGB, derived, atol=1e-8)


def test_working_primaries() -> None:
    """ITU-R BT.2020-2, table 4: luminance weights as printed; matrix of colour-science 0.4.7."""
    assert np.allclose(LUMINANCE_OF_WORKING, (0.2627, 0.6780, 0.0593), atol=5e-5)
    reference = colour.RGB_COLOURSPACES["ITU-R BT.2020"]
    assert np.allclose(XYZ_FROM_WORKING, reference.matrix_RGB_to_XYZ, atol=5e-5)
    assert np.allclose(WORKING_FROM_XYZ @ XYZ_FROM_WORKING, np.eye(3), atol=1e-12)


@pytest.mark.parametrize(
    ("y", "lightness"),
    [(0.0088565, 8.000), (0.05, 26.735), (0.18, 49.496), (0.1842, 50.002), (0.5, 76.069), (0.9, 95.997)],
)
def test_lightness(y: float, lightness: float) -> None:
    """CIE 15; values computed with colour-science 0.4.7."""
    assert lab_from_xyz(y * D50, D50)[0] == pytest.approx(lightness, abs=1e-3)


def test_lab_against_a_reference_library() -> None:
    xyz = np.random.default_rng(2).uniform(0, 1.2, (2000, 3))
    assert np.allclose(lab_from_xyz(xyz, D50), colour.XYZ_to_Lab(xyz, D50_XY), atol=1e-9)


def test_bradford_between_the_houses_whites() -> None:
    """W3C CSS Color Module Level 4, sample code D65_to_D50."""
    published = [
        [1.0479298, 0.0229469, -0.0501923],
        [0.0296278, 0.9904344, -0.0170738],
        [-0.0092430, 0.0150552, 0.7518743],
    ]
    assert np.allclose(adaptation_matrix(D65, D50), published, atol=1e-6)


def test_bradford_between_astm_whites() -> None:
    """B. Lindbloom, Chromatic Adaptation (web page), whites of ASTM E308."""
    published = [
        [1.0478112, 0.0228866, -0.0501270],
        [0.0295424, 0.9904844, -0.0170491],
        [-0.0092345, 0.0150436, 0.7521316],
    ]
    whites = (0.95047, 1, 1.08883), (0.96422, 1, 0.82521)
    assert np.allclose(adaptation_matrix(*whites), published, atol=1e-6)


@pytest.mark.parametrize(
    ("cone", "adapted"),
    [
        (BRADFORD, (0.381485, 0.302425, 0.630182)),
        (CAT16, (0.376635, 0.297113, 0.588917)),
        (VON_KRIES, (0.391273, 0.298672, 0.612177)),
        (np.eye(3), (0.346095, 0.3, 0.612177)),
    ],
    ids=["Bradford", "CAT16", "von Kries", "XYZ scaling"],
)
def test_adaptation_worked_example(cone: np.ndarray, adapted: tuple) -> None:
    """XYZ (.4 .3 .2) from illuminant A to D65; values computed with colour-science 0.4.7."""
    assert np.allclose(adaptation_matrix(A_XYZ, D65, cone) @ (0.4, 0.3, 0.2), adapted, atol=1e-5)


def test_adaptation_invariants() -> None:
    there, back = adaptation_matrix(A_XYZ, D65), adaptation_matrix(D65, A_XYZ)
    assert np.allclose(there @ A_XYZ, D65, atol=1e-12)
    assert np.allclose(back @ there, np.eye(3), atol=1e-12)


CHART = {
    "dark skin": ((0.4375, 0.3785, 0.0983), (37.54, 14.37, 14.92), (116, 79, 65)),
    "light skin": ((0.4222, 0.3725, 0.3362), (64.66, 19.27, 17.50), (197, 144, 127)),
    "blue sky": ((0.2761, 0.2984, 0.1786), (49.32, -3.82, -22.54), (91, 120, 155)),
    "blue": ((0.2052, 0.1687, 0.0560), (28.37, 15.42, -49.80), (40, 62, 145)),
    "green": ((0.3230, 0.5104, 0.2233), (54.38, -39.72, 32.27), (61, 147, 70)),
    "red": ((0.5629, 0.3356, 0.1278), (42.43, 51.05, 28.62), (178, 54, 57)),
}
"""xyY under D50, Lab and 8-bit sRGB of six patches of the 24-patch chart made after November 2014;
colour-science 0.4.7, data set of that name (sRGB after Bradford adaptation, rounded)."""


@pytest.mark.parametrize("patch", CHART)
def test_chart(patch: str) -> None:
    (x, y, luminance), lab, codes = CHART[patch]
    xyz = xyz_from_xy((x, y)) * luminance
    # xy is printed to four digits: up to .02 in L*, .1 in a* and b* of these patches.
    assert np.allclose(lab_from_xyz(xyz, D50), lab, atol=0.1)
    assert delta_e_2000(lab_from_xyz(xyz, D50), lab) < 0.1
    linear = SRGB_FROM_XYZ @ adaptation_matrix(D50, D65) @ xyz
    assert np.abs(srgb_encode(linear) * 255 - codes).max() <= 0.5 + 0.15


@pytest.mark.parametrize(
    ("xyz", "oklab"),
    [
        ((0.950, 1, 1.089), (1, 0, 0)),
        ((1, 0, 0), (0.450, 1.236, -0.019)),
        ((0, 1, 0), (0.922, -0.671, 0.263)),
        ((0, 0, 1), (0.153, -1.415, -0.449)),
    ],
)
def test_oklab_table_of_its_author(xyz: tuple, oklab: tuple) -> None:
    """B. Ottosson, A perceptual color space for image processing, 2020."""
    assert np.allclose(oklab_from_working(WORKING_FROM_XYZ @ xyz), oklab, atol=1e-3)


@pytest.mark.parametrize(
    ("rgb", "lightness", "chroma", "hue_deg"),
    [
        ((1, 0, 0), 0.6279, 0.2577, 29.2),
        ((0, 1, 0), 0.8665, 0.2948, 142.5),
        ((0, 0, 1), 0.4520, 0.3133, 264.1),
    ],
)
def test_oklab_of_srgb_primaries(rgb: tuple, lightness: float, chroma: float, hue_deg: float) -> None:
    """W3C CSS Color Module Level 4, conversions of red, lime and blue."""
    lab = oklab_from_working(WORKING_FROM_SRGB @ rgb)
    found_chroma, found_hue = chroma_hue(lab)
    assert lab[0] == pytest.approx(lightness, abs=1e-4)
    assert found_chroma == pytest.approx(chroma, abs=1e-4)
    assert found_hue == pytest.approx(hue_deg, abs=0.1)


def test_oklab_of_grey() -> None:
    """Follows from the definition: lightness of grey is the cube root of its light."""
    lab = oklab_from_working(np.full(3, 0.18))
    assert lab[0] == pytest.approx(0.18 ** (1 / 3), abs=1e-4)
    assert chroma_hue(lab)[0] < 2e-4


def test_size_of_one_code_in_ev() -> None:
    """Follows from the curve: what the step to the next 8-bit code is worth."""
    for code, ev in ((20, 0.100), (60, 0.0465), (118, 0.0261), (200, 0.0161), (250, 0.0131)):
        low, high = srgb_decode(np.array([code, code + 1]) / 255)
        assert np.log2(high / low) == pytest.approx(ev, rel=0.005)
