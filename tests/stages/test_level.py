import cv2
import numpy as np
import pytest

from panopipe.colour.transfer import srgb_encode
from panopipe.frame import Band, Frame, FrameFacts, FrameKey, Rows
from panopipe.sphere.turn import levelling_rotation, turn_in_place
from panopipe.sphere.upright import horizon_tilt
from panopipe.stage import Prepared, StageContext
from panopipe.stages.level import LEAST_DEG, Level, LevelSettings

FACTS = FrameFacts(FrameKey("hall", "hall-01"), width=1024, height=512, anchor_column=100)


def drawn_room() -> Rows:
    """Walls with doors and a skirting, upright as geometry can make them: all edges on meridians."""
    finer = np.full((1536, 3072, 3), 0.4, np.float32)
    random = np.random.default_rng(8)
    for left in range(0, 3072, 128):
        top, right = int(random.integers(560, 700)), left + int(random.integers(40, 100))
        finer[top:960, left:right] = random.random(3) * 0.6
    finer[960:] *= 0.5
    return np.asarray(cv2.resize(finer, (1024, 512), interpolation=cv2.INTER_AREA), np.float32)


def leaned(tilt_deg: float, toward_yaw_deg: float) -> Rows:
    """The room, shot by a camera whose zenith lies off the true one."""
    rows = drawn_room()
    turn_in_place(rows, levelling_rotation(tilt_deg, toward_yaw_deg).T)
    return rows


def prepared(rows: Rows, settings: LevelSettings) -> Prepared:
    return Level().prepare(StageContext(Frame(rows, FACTS)), settings)


def level_again(rows: Rows, settings: LevelSettings | None = None) -> Rows:
    settings = settings or LevelSettings()
    found = prepared(rows, settings)
    if found.data is None:
        return rows
    return Level().apply(Band(rows.copy(), 0, FACTS), settings, found.data).rows


def tilt_of(rows: Rows) -> float:
    tilt = horizon_tilt(np.round(srgb_encode(np.clip(rows, 0, 1)) * 255).astype(np.uint8))
    assert tilt is not None
    return tilt.tilt_deg


@pytest.mark.parametrize(("tilt_deg", "toward_yaw_deg"), [(0.6, 20.0), (2.5, -140.0), (8.0, 95.0)])
def test_a_frame_that_leaned_is_level_to_a_tenth_of_a_degree(tilt_deg: float, toward_yaw_deg: float) -> None:
    rows = leaned(tilt_deg, toward_yaw_deg)
    assert tilt_of(rows) == pytest.approx(tilt_deg, abs=0.1)
    assert tilt_of(level_again(rows)) < 0.1


def test_a_level_frame_is_left_alone() -> None:
    found = prepared(drawn_room(), LevelSettings())
    assert found.data is None
    assert found.notes["tilt_found_deg"] < LEAST_DEG


def test_a_frame_that_shows_nothing_upright_is_left_alone() -> None:
    fog = np.full((512, 1024, 3), 0.3, np.float32)
    assert prepared(fog, LevelSettings()).data is None


def test_set_to_0_no_row_is_asked_for() -> None:
    assert Level().span(FACTS, LevelSettings(tilt_deg=0)) == (0, 0)
    assert prepared(leaned(3, 0), LevelSettings(tilt_deg=0)) == Prepared()


def test_a_tilt_by_hand_is_in_the_files_yaw() -> None:
    in_arrays = 50.0
    rows = leaned(4.0, in_arrays)
    by_hand = LevelSettings(tilt_deg=4.0, toward_yaw_deg=in_arrays + FACTS.anchor_yaw_deg)
    assert tilt_of(level_again(rows, by_hand)) < 0.1


def test_darkness_does_not_hide_the_edges() -> None:
    rows = leaned(2.0, 10.0) * np.float32(0.02)
    assert prepared(rows, LevelSettings()).data is not None


def seen_by(camera: np.ndarray) -> Rows:
    """A world of upright stripes that fade out towards the poles, drawn from its formula; no code of ours."""
    pitch, yaw = np.meshgrid(
        np.pi * (0.5 - (np.arange(1024) + 0.5) / 1024), 2 * np.pi * ((np.arange(2048) + 0.5) / 2048 - 0.5),
        indexing="ij",
    )  # fmt: skip
    rays = np.stack([np.cos(pitch) * np.sin(yaw), np.sin(pitch), np.cos(pitch) * np.cos(yaw)], axis=-1)
    x, y, z = np.moveaxis(rays @ camera.T, -1, 0)
    stripes = np.tanh(20 * np.sin(9 * np.arctan2(x, z))) * np.clip(1 - y**4, 0, 1)
    light = cv2.resize(0.4 + 0.2 * stripes + 0.15 * y, (1024, 512), interpolation=cv2.INTER_AREA)
    return np.repeat(light[..., np.newaxis], 3, axis=2).astype(np.float32)


@pytest.mark.parametrize(("about", "deg"), [((1, 0, 0), 3.0), ((0, 0, 1), 3.0), ((0.6, 0, -0.8), -9.0)])
def test_it_turns_the_right_way_and_poles_and_headings_come_out(about: tuple[float, ...], deg: float) -> None:
    """The camera is leaned by OpenCV's rotation; what comes out is what a level camera sees."""
    leaning = cv2.Rodrigues(np.radians(deg) * np.array(about))[0]
    level = seen_by(np.eye(3))
    off = np.abs(level_again(seen_by(leaning)) - level)
    assert off.max() < 0.05  # the steepest edge rises by 0.22 a column: a quarter of a column, 0.08 degrees
    assert max(off[:16].max(), off[-16:].max()) < 0.01
