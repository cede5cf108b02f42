"""Surfaces relit from a lamp to daylight, seen by a camera of published spectral sensitivities.

Sensitivities: Nikon D5100, measured by the National Physical Laboratory (Darrodi, Finlayson, Goodman &
Mackiewicz 2015, "Reference data set for camera spectral sensitivity estimation", JOSA A 32, 381).
Reflectances: the 24 patches of ISO 17321-1. Lamps: CIE illuminant A; LED-B1, LED-B2 and LED-BH1 of CIE
15:2018. All as colour-science 0.4.7 carries them.
"""

import colour
import numpy as np

from panopipe.colour.adaptation import BRADFORD, adaptation_matrix, working_adaptation
from panopipe.colour.spaces import D65_XY, WORKING_FROM_XYZ, XYZ_FROM_WORKING, xyz_from_xy

SHAPE = colour.SpectralShape(400, 700, 10)
LEAST_CHROMA = 8.0
"""Greys have no hue to be judged by, and any adaptation serves them."""


def aligned(distribution: colour.SpectralDistribution) -> np.ndarray:
    return np.asarray(distribution.copy().align(SHAPE).values)


OBSERVER = aligned(colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"])
CAMERA = aligned(colour.MSDS_CAMERA_SENSITIVITIES["Nikon 5100 (NPL)"])
PATCHES = np.array([aligned(patch) for patch in colour.SDS_COLOURCHECKERS["ISO 17321-1"].values()])


def seen(lamp: str, sensitivities: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Patches and white under a lamp."""
    light = aligned(colour.SDS_ILLUMINANTS[lamp])
    return (PATCHES * light) @ sensitivities, light @ sensitivities


def lab(xyz: np.ndarray) -> np.ndarray:
    return np.asarray(colour.XYZ_to_Lab(xyz, D65_XY))


def error(lamp: str, relit: np.ndarray, camera_to_xyz: np.ndarray) -> float:
    """Mean delta E 1976 of the coloured patches from daylight, relit XYZ to XYZ by a matrix."""
    patches, white = (values @ camera_to_xyz.T for values in seen(lamp, CAMERA))
    true, sun = seen("D65", OBSERVER)
    wanted = lab(true / sun[1])
    coloured = np.hypot(*wanted[:, 1:].T) > LEAST_CHROMA
    return float(np.linalg.norm(lab(patches / white[1] @ relit.T) - wanted, axis=1)[coloured].mean())


def camera_to_xyz() -> np.ndarray:
    """Least squares over the patches under D65, as makers of cameras fit theirs."""
    recorded, true = seen("D65", CAMERA)[0], seen("D65", OBSERVER)[0]
    return np.asarray(np.linalg.lstsq(recorded, true, rcond=None)[0].T)


LAMPS = ("A", "LED-B1", "LED-B2", "LED-BH1")


def test_nearer_to_daylight_than_by_bradford_s_cones() -> None:
    matrix, d65 = camera_to_xyz(), xyz_from_xy(D65_XY)
    whites = [matrix @ seen(lamp, CAMERA)[1] for lamp in LAMPS]
    ours, bradford = (
        np.array(
            [error(lamp, relit(white / white[1]), matrix) for lamp, white in zip(LAMPS, whites, strict=True)]
        )
        for relit in (
            lambda white: XYZ_FROM_WORKING @ working_adaptation(white, d65) @ WORKING_FROM_XYZ,
            lambda white: adaptation_matrix(white, d65, BRADFORD),
        )
    )
    assert ours.mean() < bradford.mean()
    assert ours[0] < bradford[0] - 0.5  # a glowing wire, where wood turns pink
    assert np.all(ours < bradford + 0.5)  # light-emitting diodes: no worse by what an eye sees
