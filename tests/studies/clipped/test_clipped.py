"""Clipped highlights: between red and blue, growing with the light, ending in white, without a step."""

from functools import cache
from pathlib import Path

import numpy as np
import pytest

from panopipe.colour.spaces import xyz_from_xy
from panopipe.colour.temperature import planckian_xy
from panopipe.frame import FrameKey
from panopipe.sphere.geometry import direction
from panopipe.stages.decode import Decode, DecodeSettings
from panopipe.studies.clipped.band import MARGIN, Rebuilder
from panopipe.studies.clipped.level import cut_level
from panopipe.studies.clipped.rebuild import TRUSTED, Lights, rebuilt_gain, share_of_red
from panopipe.studies.clipped.surroundings import Surroundings, read_map, survey
from tests.makers.dng import CAMERA_A, CAMERA_D65, neutral_of, write_linear_dng

KELVIN = np.array([2500, 2700, 3000, 3500, 4000, 5000, 6500, 8000, 10000])
EV = np.linspace(-1, 3.5, 300)
EPS = 1e-9


def seen(kelvin: float, camera: np.ndarray) -> np.ndarray:
    return neutral_of(xyz_from_xy(planckian_xy(kelvin)), camera)


def lights(white_kelvin: float, camera: np.ndarray) -> Lights:
    neutral = seen(white_kelvin, camera)
    return Lights(neutral, share_of_red(xyz_from_xy(planckian_xy(KELVIN)) @ camera.T / neutral))


CAMERAS = pytest.mark.parametrize("camera", [CAMERA_A, CAMERA_D65], ids=["camera A", "camera D65"])
WHITES = pytest.mark.parametrize("white_kelvin", [2900, 4000, 6500])
LIGHTS = pytest.mark.parametrize("kelvin", [2500, 3000, 4000, 6500, 9000])


@CAMERAS
@WHITES
def test_lights_lie_on_a_line(camera: np.ndarray, white_kelvin: float) -> None:
    """Black bodies of 2500 to 10000 K, seen by two cameras under three whites, within 2 percent."""
    found = lights(white_kelvin, camera)
    balanced = xyz_from_xy(planckian_xy(KELVIN)) @ camera.T / found.neutral
    red, green, blue = np.log(balanced.T)
    off = green - found.share_of_red * red - (1 - found.share_of_red) * blue
    assert np.abs(off).max() < 0.02


def ramp(camera: np.ndarray, white_kelvin: float, kelvin: float, known: float) -> tuple[np.ndarray, ...]:
    """One light from below to far above saturation: what it is, what is recorded, what is rebuilt."""
    found = lights(white_kelvin, camera)
    true = seen(kelvin, camera) * 2.0 ** EV[:, None]
    recorded = np.minimum(true, 1)
    colour = seen(kelvin, camera) / found.neutral
    warmth = np.full(len(EV), known * np.log(colour[0] / colour[2]))
    line = {"share_of_red": found.share_of_red, "highest": found.highest}
    gain = rebuilt_gain(recorded, warmth, np.zeros(len(EV)), found.neutral, **line)
    return true / found.neutral, recorded / found.neutral, (recorded + gain) / found.neutral


@CAMERAS
@WHITES
@LIGHTS
@pytest.mark.parametrize("known", [0.0, 0.5, 1.0, -0.5])
def test_any_light_turns_white_without_magenta_or_a_dip(
    camera: np.ndarray, white_kelvin: float, kelvin: float, known: float
) -> None:
    """Whether the surroundings tell the light's warmth, half of it, nothing, or the opposite."""
    _, recorded, rebuilt = ramp(camera, white_kelvin, kelvin, known)
    assert np.all(rebuilt >= recorded - EPS)
    assert np.all(np.diff(rebuilt, axis=0) >= -EPS), "brighter light gives less in some plane"
    red, green, blue = np.log(rebuilt.T)
    assert np.all(green > np.minimum(red, blue) - 0.02), "magenta"
    assert np.all(green < np.maximum(red, blue) + 0.02), "green"
    assert np.allclose(rebuilt[-1], rebuilt[-1, 0]), "not white at the end"


@CAMERAS
@WHITES
@LIGHTS
def test_trusted_samples_stay_until_the_others_are_lost(
    camera: np.ndarray, white_kelvin: float, kelvin: float
) -> None:
    true, recorded, rebuilt = ramp(camera, white_kelvin, kelvin, 1.0)
    neutral = lights(white_kelvin, camera).neutral
    saturated = np.sum(recorded * neutral > TRUSTED, axis=1)
    below = saturated == 0
    assert np.array_equal(rebuilt[below], recorded[below])
    one = saturated == 1
    trusted = recorded[one] * neutral <= TRUSTED
    assert np.allclose(rebuilt[one][trusted], true[one][trusted])


@CAMERAS
@WHITES
@LIGHTS
def test_one_lost_plane_follows_from_the_other_two(
    camera: np.ndarray, white_kelvin: float, kelvin: float
) -> None:
    """Within .1 EV of the truth, or at the highest level that the camera can record."""
    true, recorded, rebuilt = ramp(camera, white_kelvin, kelvin, 0.0)
    found = lights(white_kelvin, camera)
    one = np.sum(recorded * found.neutral > TRUSTED, axis=1) == 1
    wanted = np.minimum(true, found.highest)
    assert np.abs(np.log2(rebuilt[one] / wanted[one])).max(initial=0) < 0.1


def test_the_survey_weighs_solid_angle_and_learns_warmth() -> None:
    found = lights(4000, CAMERA_D65)
    share = np.full((64, 128, 3), 0.5) * seen(2700, CAMERA_D65) / seen(2700, CAMERA_D65).max()
    share[:16] = 1.0  # down to 45 degrees: (1 - sin 45) / 2 of the sphere
    prepared = survey(share, found)
    assert prepared.all_percent == pytest.approx(100 * (1 - np.sqrt(0.5)) / 2, abs=1e-6)
    colour = seen(2700, CAMERA_D65) / found.neutral
    warmth, tint = read_map(prepared.warmth_tint, np.array([40]), np.array([77]), 128)
    assert warmth[0] == pytest.approx(np.log(colour[0] / colour[2]), rel=0.05)
    assert abs(tint[0]) < 0.02


def test_a_lawn_tells_nothing_of_the_sky_above_it() -> None:
    """A fault once seen: a sky that clipped in two planes turned yellow, and bars before a lawn teal."""
    found = lights(4500, CAMERA_D65)
    sky = seen(9000, CAMERA_D65) / seen(9000, CAMERA_D65).max()
    lawn = 0.5 * np.array([0.5, 1.0, 0.4]) * found.neutral  # reflects twice as much green as red or blue
    share = np.full((64, 128, 3), lawn)
    share[20:22], share[:20] = 0.9 * sky, 1.0
    warmth, tint = read_map(survey(share, found).warmth_tint, np.array([19]), np.array([60]), 128)
    colour = sky / found.neutral
    assert warmth[0] == pytest.approx(np.log(colour[0] / colour[2]), rel=0.1)
    assert abs(tint[0]) < 0.02


def test_surroundings_go_round() -> None:
    """Column 0 and the last are neighbours in the map."""
    plane = np.zeros((4, 8, 2))
    plane[:, 0], plane[:, -1] = 1.0, 3.0
    left, _ = read_map(plane, np.array([20, 20]), np.array([0, 127]), 128)
    assert left == pytest.approx([2 - 1 / 16, 2 + 1 / 16])


def test_surroundings_go_on_over_the_poles() -> None:
    plane = np.random.default_rng(4).random((8, 16, 2))
    columns = np.arange(64)
    for row, beyond in ((0, -1), (1, -2), (31, 32), (30, 33)):
        here = read_map(plane, np.full(64, row), (columns + 32) % 64, 64)
        assert np.array_equal(read_map(plane, np.full(64, beyond), columns, 64), here)


def rebuilder(camera: np.ndarray, white_kelvin: float) -> Rebuilder:
    unknown = Surroundings(np.zeros((1, 2, 2)), 0, 0)
    return Rebuilder(np.zeros(3), np.full(3, 65535.0), lights(white_kelvin, camera), unknown, 0)


def test_a_mixed_edge_gets_its_share_and_the_wall_beside_it_nothing() -> None:
    """A window's edge as a stitcher leaves it: half window, half wall. Truth: half of white and wall."""
    frame = rebuilder(CAMERA_D65, 4000)
    neutral = frame.lights.neutral
    wall = 0.05 * neutral
    band = np.tile(wall, (1 + 2 * MARGIN, 40, 1))
    band[:, 20:30] = 1.0
    for column in (19, 30):
        band[:, column] = (1.0 + wall) / 2
    places, gain = frame.gain(np.rint(band * 65535).astype(np.uint16), 8)
    total = band[MARGIN].copy()
    total[places] += gain
    balanced = total / neutral
    assert np.allclose(balanced[20:30], frame.lights.highest, rtol=1e-3)
    assert np.allclose(balanced[[19, 30]], (frame.lights.highest + 0.05) / 2, rtol=0.02)
    assert np.allclose(balanced[[18, 31]], 0.05, atol=0.002)


@CAMERAS
@WHITES
@pytest.mark.parametrize("kelvin", [2700, 6500])
def test_a_bar_before_a_clipped_window_keeps_its_colour(
    camera: np.ndarray, white_kelvin: float, kelvin: float
) -> None:
    """A lens blurs before the sensor clips: a narrow bar is part window, and green clips beside it first.

    Within a twentieth of its own tint: what the rebuilding may add, and a line of lights that fits to 2 %.
    """
    frame = rebuilder(camera, white_kelvin)
    neutral, light = frame.lights.neutral, seen(kelvin, camera)
    covered = np.zeros(40)
    covered[16:22] = 0.99, 0.86, 0.98, 0.995, 0.93, 0.6
    true = 12 * light * np.where(covered, 1 - covered, 1)[:, None] + 0.02 * light
    recorded = np.minimum(true, 1)
    band = np.tile(recorded, (1 + 2 * MARGIN, 1, 1))
    places, gain = frame.gain(np.rint(band * 65535).astype(np.uint16), 8)
    total = recorded.copy()
    total[places] += gain
    a, unclipped = frame.lights.share_of_red, (recorded < TRUSTED).all(axis=1)
    red, green, blue = np.log(total / neutral).T
    tint = green - a * red - (1 - a) * blue
    assert 0 < np.count_nonzero(unclipped) < 6
    assert np.abs(tint[unclipped]).max() < 0.05


def test_a_frame_without_clipping_is_left_alone(tmp_path: Path) -> None:
    samples = np.random.default_rng(1).integers(0, 62000, (16, 32, 3), dtype=np.uint16)  # TRUSTED is 62258
    path = write_linear_dng(tmp_path / "a.dng", samples)
    seen_rows = []
    for choice in ("rebuild", "as-recorded"):
        with Decode().open([path], FrameKey("a", "b"), DecodeSettings(clipped=choice)) as frame:
            seen_rows.append(frame.read(0, 16))
    assert np.array_equal(*seen_rows)


@CAMERAS
@WHITES
def test_a_cut_below_the_white_level_is_found(camera: np.ndarray, white_kelvin: float) -> None:
    found = lights(white_kelvin, camera)
    random = np.random.default_rng(3)
    share = random.random((64, 128, 1)) * 0.2 * seen(3000, camera) * random.normal(1, 0.01, (64, 128, 3))
    assert np.array_equal(cut_level(share, found), np.ones(3))
    share[20:30, 40:60] = (0.62, 0.7, 0.66)  # each plane scaled by itself
    assert np.allclose(cut_level(share, found), (0.62, 0.7, 0.66))
    assert np.allclose(cut_level(np.roll(share, 77, axis=1), found), (0.62, 0.7, 0.66))


@CAMERAS
@WHITES
def test_bright_things_are_no_cut(camera: np.ndarray, white_kelvin: float) -> None:
    """An even white wall, a lamp below saturation, and a magenta thing with light and shade."""
    found = lights(white_kelvin, camera)
    for patch in (
        np.full((10, 20, 1), 0.7) * seen(white_kelvin, camera),
        np.full((10, 20, 1), 0.7) * seen(2700, camera),
        np.linspace(0.3, 0.7, 200).reshape(10, 20, 1) * np.ones(3),
    ):
        share = np.full((64, 128, 3), 0.05)
        share[20:30, 40:60] = patch
        assert np.array_equal(cut_level(share, found), np.ones(3))


@cache
def drawn_room(width: int, over: int) -> np.ndarray:
    """XYZ of a room with a daylight window and three warm lamps, `over` times finer than the frame."""
    size = (width * over // 2, width * over)
    yaw = ((np.arange(size[1]) + 0.5) / size[1] - 0.5) * 360
    pitch = ((0.5 - (np.arange(size[0]) + 0.5) / size[0]) * 180)[:, None]
    xyz = xyz_from_xy(planckian_xy(3500)) * (0.12 + 0.08 * np.cos(np.radians(yaw)))[None, :, None]
    xyz = np.broadcast_to(xyz, (*size, 3)).copy()
    window = (np.abs(yaw - 40) < 20) & (np.abs(pitch - 5) < 15)
    window &= (np.abs(yaw - 40) > 1) & (np.abs(pitch - 5) > 0.8)
    sky = np.where(pitch > 0, 8 * np.exp(-((pitch - 20) ** 2) / 400), 1.2 * np.exp(pitch / 20)) + 0 * yaw
    xyz[window] = (xyz_from_xy(planckian_xy(7000)) * sky[..., None])[window]
    towards = direction(yaw[None, :], pitch)
    for lamp_yaw, lamp_pitch, radius in ((-60, 20, 4), (-120, 40, 2), (150, 10, 6)):
        angle = np.degrees(np.arccos(np.clip(towards @ direction(lamp_yaw, lamp_pitch), -1, 1)))
        glow = np.where(angle < radius, 12.0, 0.9 * np.exp(-(angle - radius) / 6))
        xyz += xyz_from_xy(planckian_xy(2700)) * glow[..., None]
    return xyz


@pytest.mark.parametrize("white_kelvin", [2900, 4000, 6500])
@pytest.mark.parametrize("scaled", [1.0, 0.7], ids=["at the white level", "below it"])
def test_window_and_lamps_of_a_room(tmp_path: Path, white_kelvin: float, scaled: float) -> None:
    """Saturated at the sensor, then resampled, as by a stitcher; magenta is green under red and blue.

    The stitcher may have scaled all samples down and left the white level where it was.
    """
    over, width = 3, 512
    samples = np.minimum(drawn_room(width, over) @ CAMERA_D65.T, 1)
    stitched = samples.reshape(width // 2, over, width, over, 3).mean(axis=(1, 3))
    neutral = seen(white_kelvin, CAMERA_D65)
    path = write_linear_dng(
        tmp_path / "a.dng", np.rint(stitched * scaled * 65535).astype(np.uint16), as_shot_neutral=neutral
    )
    magenta = {}
    for choice in ("as-recorded", "rebuild"):
        with Decode().open([path], FrameKey("a", "b"), DecodeSettings(clipped=choice)) as frame:
            rows = frame.read(0, width // 2)
        red, green, blue = np.moveaxis(rows, 2, 0)
        bright = rows.max(axis=2) > 0.5 * scaled
        magenta[choice] = int(np.sum(bright & (green < 0.95 * np.minimum(red, blue))))
    assert magenta["as-recorded"] > 1500
    assert magenta["rebuild"] < 0.005 * magenta["as-recorded"]  # corners where three lights mix in a pixel
