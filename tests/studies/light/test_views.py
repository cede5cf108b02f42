import numpy as np
import pytest

from panopipe.colour.adaptation import working_adaptation
from panopipe.colour.spaces import D65_XY, XYZ_FROM_WORKING, xyz_from_xy
from panopipe.colour.temperature import daylight_xy, planckian_xy
from panopipe.frame import Band, Frame, FrameFacts, FrameKey
from panopipe.stage import StageContext
from panopipe.stages.tone import Tone, ToneSettings
from panopipe.studies.light.base import find_base, log2_luminance
from panopipe.studies.light.views import (
    BESIDE_LAMPS_K,
    DAYLIGHT_K,
    daylight_in,
    relit,
    view_change,
    whitened,
)

CAMERA_XY = tuple(map(float, daylight_xy(5500.0)))
NONE = np.eye(3)
ROOM_K = 3800.0


def decoded(kelvin: float) -> np.ndarray:
    """Light of a temperature, luminance 1, as decode hands it on: the camera's white is D65."""
    light = xyz_from_xy(planckian_xy(kelvin))
    return working_adaptation(xyz_from_xy(CAMERA_XY), xyz_from_xy(D65_XY)) @ np.linalg.solve(
        XYZ_FROM_WORKING, light
    )


def room_white() -> np.ndarray:
    """White balance that makes the light of the room neutral."""
    return working_adaptation(XYZ_FROM_WORKING @ decoded(ROOM_K), xyz_from_xy(D65_XY))


def blueness(light: np.ndarray) -> float:
    return float(np.log(light[2] / light[0]))


def toned(bright: np.ndarray, share: float) -> np.ndarray:
    """Colour, after balance, of a bright patch 5 EV over a room of lamplight."""
    rows = np.full((128, 256, 3), decoded(ROOM_K) * 0.1, np.float32)
    rows[48:80, 60:120] = bright * 3.2
    facts = FrameFacts(FrameKey("", "a"), 256, 128, correction=room_white(), white_xy=CAMERA_XY)
    settings = ToneSettings(highlights_ev=-4.0, view_white_percent=share)
    prepared = Tone().prepare(StageContext(Frame(rows.copy(), facts)), settings).data
    return Tone().apply(Band(rows.copy(), 0, facts), settings, prepared)[64, 90] @ room_white().T


def test_a_view_goes_part_of_the_way_to_white() -> None:
    seen = room_white() @ decoded(DAYLIGHT_K)
    none, some, whole = (blueness(toned(decoded(DAYLIGHT_K), share)) for share in (0.0, 70.0, 100.0))
    assert blueness(seen) > 0.3
    # The shoulder leaves the least room to the strongest colour: without it the share would be 0.3.
    assert abs(whole) < some < 0.85 * none


def test_a_lamp_keeps_its_colour() -> None:
    lamp = decoded(2700.0)
    assert np.allclose(toned(lamp, 100.0), toned(lamp, 0.0), rtol=0.02)


def test_the_change_makes_daylight_white_as_far_as_asked() -> None:
    correction = room_white()
    daylight = daylight_in(correction, CAMERA_XY)
    change = view_change(correction, daylight, whitened(daylight, 1.0))
    light = np.linalg.solve(correction, np.linalg.solve(XYZ_FROM_WORKING, daylight))
    shown = XYZ_FROM_WORKING @ correction @ (light + change @ light)
    assert np.allclose(shown, xyz_from_xy(D65_XY), atol=1e-9)


@pytest.mark.parametrize(
    ("correction", "share"), [(NONE, 1.0), (room_white(), 0.0), (np.linalg.inv(room_white()), 1.0)]
)
def test_nothing_is_done_where_daylight_is_white_or_warm(correction: np.ndarray, share: float) -> None:
    daylight = daylight_in(correction, CAMERA_XY)
    assert view_change(correction, daylight, whitened(daylight, share)) is None


def test_light_of_the_room_stays() -> None:
    rows = np.full((128, 256, 3), decoded(ROOM_K) * 0.1, np.float32)
    light_ev = log2_luminance(rows, np.array([0.2627, 0.678, 0.0593]))
    assert np.isfinite(find_base(light_ev).curves_ev).all()
    assert np.allclose(toned(decoded(ROOM_K) / 32, 100.0), toned(decoded(ROOM_K) / 32, 0.0))


def test_a_view_lies_in_one_daylight_whatever_its_light_was_taken_for() -> None:
    """Skies beside lamps had turned lilac and pavements below them blue: each was evened by itself."""
    correction = room_white()
    outside = daylight_in(correction, CAMERA_XY, BESIDE_LAMPS_K)
    daylight = np.linalg.solve(correction, np.linalg.solve(XYZ_FROM_WORKING, outside))
    evened = np.array([[0.8, 1.0, 1.3], [1.0, 1.0, 1.0], [1.1, 0.9, 0.7]], np.float32)
    seen = evened * daylight * relit(evened, correction, CAMERA_XY, 1.0) @ correction.T @ XYZ_FROM_WORKING.T
    assert np.allclose(seen / seen[:, 1:2], xyz_from_xy(D65_XY), atol=1e-5)
