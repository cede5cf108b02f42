import numpy as np
import pytest

from panopipe.colour.oklab import oklab_from_working, working_from_oklab
from panopipe.colour.spaces import SRGB_FROM_WORKING, WORKING_FROM_SRGB, XYZ_FROM_SRGB
from panopipe.frame import Band, Frame, FrameFacts, FrameKey
from panopipe.stage import StageContext
from panopipe.stages.tone import Tone, ToneSettings
from tests.makers.shoulder import shoulder

SHOULDER = ToneSettings(0.0, 0.0, 0.0, 0.0, 2.5, -16.0, 0.0)
LUMINANCE = XYZ_FROM_SRGB[1]
LIT = {"orange wall": (1.38, 0.58, 0.19), "amber shade": (1.09, 0.65, 0.33), "sky": (0.44, 0.75, 1.25)}
"""Linear sRGB of luminance 0.7 to 0.8 whose strongest channel lies beyond the screen."""


def shown(light: np.ndarray, clips_at: tuple[float, float] | None = None) -> np.ndarray:
    """Linear sRGB after the shoulder, of a frame that is all of this light."""
    rows = np.broadcast_to(WORKING_FROM_SRGB @ light, (32, 64, 3)).astype(np.float32)
    facts = FrameFacts(FrameKey("", "a"), 64, 32, clips_at=clips_at)
    prepared = Tone().prepare(StageContext(Frame(rows.copy(), facts)), SHOULDER).data
    return Tone().apply(Band(rows.copy(), 0, facts), SHOULDER, prepared)[16, 32] @ SRGB_FROM_WORKING.T


def hue_of(rgb: np.ndarray) -> float:
    """Oklab hue in degrees."""
    _, a, b = oklab_from_working(WORKING_FROM_SRGB @ rgb)
    return float(np.degrees(np.arctan2(b, a)))


def white_added(light: np.ndarray, channels: np.ndarray) -> np.ndarray:
    """Channels with white added until their luminance is that of the light after the shoulder."""
    missing = shoulder(light @ LUMINANCE, SHOULDER.shoulder_ev) - channels @ LUMINANCE
    return channels + missing / (1 - channels @ LUMINANCE) * (1 - channels)


@pytest.mark.parametrize("name", LIT)
def test_hue_moves_less_than_half_as_far_as_by_channels_alone(name: str) -> None:
    # Channels alone turn orange to yellow and a sky to cyan; added white alone turns them to pink and violet
    # (the Abney effect), which is the other way.
    light = np.array(LIT[name])
    channels = white_added(light, shoulder(light, SHOULDER.shoulder_ev))
    hue, by_channel, mixed = (hue_of(rgb) for rgb in (light, channels, shown(light)))
    assert abs(mixed - hue) < 0.5 * abs(by_channel - hue)


@pytest.mark.parametrize("name", LIT)
def test_luminance_goes_over_the_shoulder_whatever_the_colour(name: str) -> None:
    light = np.array(LIT[name])
    luminance = shoulder(light @ LUMINANCE, SHOULDER.shoulder_ev)
    assert shown(light) @ LUMINANCE == pytest.approx(luminance, abs=1e-5)
    assert shown(light).max() < 1


WALLS = {"yellow": (0.78, 0.6, 0.28), "lilac": (0.62, 0.5, 0.8), "coral": (0.85, 0.45, 0.36)}
"""Linear sRGB of painted walls in good light, L* 75 to 83: all channels below white."""


@pytest.mark.parametrize("name", WALLS)
def test_a_painted_wall_in_good_light_keeps_its_colour(name: str) -> None:
    # Once a tenth of it and more was lost from luminance 0.45 on, and walls looked washed out.
    light = np.array(WALLS[name])
    kept = np.ptp(shown(light)) / np.ptp(light)
    assert kept > 0.93
    assert hue_of(shown(light)) == pytest.approx(hue_of(light), abs=2)


def of_hue(hue_deg: float, relative_chroma: float, luminance: float) -> np.ndarray:
    """Linear sRGB of an Oklab hue, of a chroma as a share of lightness, and of a luminance."""
    hue = np.radians(hue_deg)
    working = working_from_oklab(np.array([1, relative_chroma * np.cos(hue), relative_chroma * np.sin(hue)]))
    light = SRGB_FROM_WORKING @ working
    return np.asarray(light * luminance / (light @ LUMINANCE))


def held(light: np.ndarray) -> np.ndarray:
    """What the screen can show of a light at most, at the luminance that it has after the shoulder."""
    luminance = shoulder(light @ LUMINANCE, SHOULDER.shoulder_ev)
    away = (light / (light @ LUMINANCE) - 1) * luminance
    return np.asarray(luminance + away * min(1.0, (1 - luminance) / away.max()))


def chroma_of(rgb: np.ndarray) -> float:
    """Oklab chroma."""
    return float(np.hypot(*oklab_from_working(WORKING_FROM_SRGB @ rgb)[1:]))


HUES_DEG = range(0, 360, 15)


@pytest.mark.parametrize("luminance", [0.6, 0.8, 0.9])
def test_colours_stay_where_the_screen_has_room_for_them(luminance: float) -> None:
    # Wooden ceilings and painted walls near lamps: once .44 to .64 of it was kept above the knee.
    lights = [of_hue(hue, 0.15, luminance) for hue in HUES_DEG]
    kept = [chroma_of(shown(light)) / chroma_of(held(light)) for light in lights]
    assert min(kept) > 0.75
    assert np.mean(kept) > 0.85


@pytest.mark.parametrize("luminance", [0.6, 0.8, 1.0])
def test_hardly_any_hue_turns(luminance: float) -> None:
    lights = [of_hue(hue, chroma, luminance) for hue in HUES_DEG for chroma in (0.04, 0.12, 0.2)]
    turns = np.abs([(hue_of(shown(light)) - hue_of(light) + 180) % 360 - 180 for light in lights])
    assert np.quantile(turns, 0.95) < 6


def test_tints_of_white_run_into_white() -> None:
    # What a white leaves on paint: C*ab 4 to 6 at this luminance.
    for hue in HUES_DEG:
        light = of_hue(hue, 0.015, 0.9)
        assert chroma_of(shown(light)) < 0.4 * chroma_of(light)


def test_more_colour_is_shown_as_more() -> None:
    for hue in HUES_DEG:
        ramp = [chroma_of(shown(of_hue(hue, chroma, 0.9))) for chroma in np.linspace(0, 0.2, 21)]
        assert np.diff(ramp).min() > -1e-3  # at the surface of the screen's colours it stays


def test_what_glows_or_was_rebuilt_runs_into_white() -> None:
    wall = of_hue(85, 0.12, 0.9)
    assert chroma_of(shown(wall, (0.8, 1.6))) < 0.5 * chroma_of(shown(wall))
    assert chroma_of(shown(2.5 * wall)) < 0.02
