from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image

from panopipe.colour.dng import Calibration, Camera
from panopipe.colour.spaces import D65_XY, SRGB_FROM_WORKING, WORKING_FROM_SRGB, xyz_from_xy
from panopipe.colour.temperature import planckian_xy
from panopipe.colour.transfer import srgb_decode
from panopipe.frame import FrameKey
from panopipe.sphere.reduce import AreaReducer
from panopipe.stages.decode import Decode, DecodedFrame, DecodeSettings
from panopipe.state.serialization import dumps, loads
from panopipe.studies.clipped.surroundings import Surroundings
from tests.makers.dng import CAMERA_A, CAMERA_D65, Shot, Tag, neutral_of, write_linear_dng

KEY = FrameKey("lounge", "lounge-01")
NEUTRAL = neutral_of(xyz_from_xy(D65_XY))


def opened(path: Path, **settings: Any) -> DecodedFrame:
    return Decode().open([path], KEY, DecodeSettings(**settings))


def light(path: Path, **settings: Any) -> np.ndarray:
    """The frame's light in the file's own columns."""
    with opened(path, **settings) as frame:
        rows = frame.read(0, frame.facts.height)
        return np.roll(rows, frame.facts.anchor_column, axis=1)


def grey(share: float, white: int = 65535, black: int = 0) -> np.ndarray:
    """A frame that is neutral throughout, at a share of diffuse white."""
    samples = np.rint(black + NEUTRAL * share * (white - black)).astype(np.uint16)
    return np.broadcast_to(samples, (16, 32, 3)).copy()


def speckled(seed: int = 3, high: int = 65536) -> np.ndarray:
    """Samples of every height, clipped ones among them, in patches of a few pixels."""
    coarse = np.random.default_rng(seed).integers(0, high, (16, 32, 3)).astype(np.float32)
    return np.rint(cv2.resize(coarse * 1.2, (128, 64))).clip(0, 65535).astype(np.uint16)


@pytest.mark.parametrize("clipped", ["rebuild", "as-recorded"])
@pytest.mark.parametrize("turn", [1, 31, 64, 100])
def test_a_turned_file_is_the_same_frame(tmp_path: Path, turn: int, clipped: str) -> None:
    samples = speckled()
    one = write_linear_dng(tmp_path / "a.dng", samples)
    other = write_linear_dng(tmp_path / "b.dng", np.roll(samples, turn, axis=1))
    with opened(one, clipped=clipped) as a, opened(other, clipped=clipped) as b:
        assert np.array_equal(a.read(0, 64), b.read(0, 64))
        assert np.array_equal(a.reduced(32), b.reduced(32))
        assert b.facts.anchor_column == (a.facts.anchor_column + turn) % 128


@pytest.mark.parametrize("cut", [1, 2, 5, 16, 32])
def test_the_same_bits_however_it_is_read(tmp_path: Path, cut: int) -> None:
    path = write_linear_dng(tmp_path / "a.dng", speckled(), tile=(16, 32))
    with opened(path) as frame:
        whole = frame.read(0, 64)
        for order in (range(0, 64, cut), reversed(range(0, 64, cut))):
            for first in order:
                last = min(first + cut, 64)
                assert np.array_equal(frame.read(first, last), whole[first:last])


def test_one_clipped_pixel_beside_a_band(tmp_path: Path) -> None:
    """Near enough to be read along, too far to matter."""
    samples = grey(0.2)
    samples[8, 10] = 65535
    path = write_linear_dng(tmp_path / "a.dng", samples)
    with opened(path) as frame, opened(path, clipped="as-recorded") as recorded:
        rows = [frame.read(at, at + 1) for at in range(16)]
        assert np.array_equal(np.concatenate(rows), frame.read(0, 16))
        assert np.array_equal(rows[4], recorded.read(4, 5))
        assert not np.array_equal(rows[8], recorded.read(8, 9))


def test_a_fixed_white_on_a_finished_picture_is_noted(tmp_path: Path) -> None:
    Image.fromarray(np.full((16, 32, 3), 118, np.uint8)).save(tmp_path / "a.png")
    with opened(tmp_path / "a.png", white="fixed") as frame:
        assert "left out" in str(frame.notes["fixed_white"])
        assert np.allclose(frame.read(0, 16), 0.181164, atol=1e-5)  # IEC 61966-2-1: code 118


def test_reduced_is_the_area_mean_of_the_rows(tmp_path: Path) -> None:
    path = write_linear_dng(tmp_path / "a.dng", speckled())
    with opened(path) as frame:
        reducer = AreaReducer(128, 64, 32)
        reducer.take(frame.read(0, 64), 0)
        assert np.allclose(frame.reduced(32), reducer.result(), atol=2e-6)
        assert frame.reduced(1024).shape == (64, 128, 3)


@pytest.mark.parametrize(
    ("levels", "expected"),
    [
        ({"black": 4096, "white": 65535}, (20480 - 4096) / (65535 - 4096)),
        ({"black": 4096, "white": 65535, "baseline_exposure_ev": 1.0}, 0.53334),
        ({"white": 60000}, 20480 / 60000),
        ({}, 20480 / 65535),
        ({"black": (4096, 4096, 4096), "white": (65535, 65535, 65535)}, (20480 - 4096) / 61439),
    ],
)
def test_levels(tmp_path: Path, levels: dict, expected: float) -> None:
    """(sample - black) / (white - black) x 2^BaselineExposure, DNG 1.7.1; the second is 0.53334."""
    samples = np.full((16, 32, 3), 20480, np.uint16)
    path = write_linear_dng(tmp_path / "a.dng", samples, as_shot_neutral=(1, 1, 1), **levels)
    assert np.allclose(light(path), expected, rtol=1e-5)


def test_levels_of_each_plane(tmp_path: Path) -> None:
    share, black, white = 0.25, np.array([100, 200, 300]), np.array([40000, 50000, 60000])
    samples = np.rint(black + NEUTRAL * share * (white - black)).astype(np.uint16)
    frame = np.broadcast_to(samples, (16, 32, 3)).copy()
    path = write_linear_dng(tmp_path / "a.dng", frame, black=black, white=white)
    assert np.allclose(light(path), share, rtol=1e-4)


def test_black_by_row_and_column(tmp_path: Path) -> None:
    by_row, by_column = np.arange(16) * 10.0, np.arange(32) * 5.0
    samples = grey(0.3).astype(np.float64) + by_row[:, None, None] + by_column[None, :, None]
    path = write_linear_dng(
        tmp_path / "a.dng", samples.astype(np.uint16), black_delta_h=by_column, black_delta_v=by_row
    )
    assert np.allclose(light(path), 0.3, atol=3e-5)


def test_nothing_above_white_is_lost(tmp_path: Path) -> None:
    """Red of a neutral reaches far beyond 1 before its plane is full; floats go on for ever."""
    floats = np.full((16, 32, 3), 3.0, np.float32) * NEUTRAL.astype(np.float32)
    path = write_linear_dng(tmp_path / "a.dng", floats)
    assert np.allclose(light(path), 3.0, rtol=1e-5)
    over = np.full((16, 32, 3), 65535, np.uint16)
    path = write_linear_dng(tmp_path / "b.dng", over, white=50000)
    assert light(path, clipped="as-recorded").max() > 65535 / 50000


def test_the_crop_lies_inside_the_active_area(tmp_path: Path) -> None:
    samples = np.zeros((30, 50, 3), np.uint16)
    samples[4 + 3 : 4 + 19, 6 + 5 : 6 + 37] = grey(0.4)
    path = write_linear_dng(
        tmp_path / "a.dng", samples, active_area=(4, 6, 28, 48), crop_origin=(5, 3), crop_size=(32, 16)
    )
    assert np.allclose(light(path), 0.4, rtol=1e-4)


TURNS = {
    1: lambda a: a, 2: lambda a: a[:, ::-1], 3: lambda a: a[::-1, ::-1], 4: lambda a: a[::-1],
    5: lambda a: a.swapaxes(0, 1), 6: lambda a: np.rot90(a, -1), 7: lambda a: np.rot90(a, 2).swapaxes(0, 1),
    8: lambda a: np.rot90(a, 1),
}  # fmt: skip
"""What each Orientation asks a viewer to do (CIPA DC-008, tag 274)."""


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation(tmp_path: Path, orientation: int) -> None:
    """Against numpy's own turns; 5 to 8 swap the sides, so such a file is 1:2."""
    shape = (64, 128, 3) if orientation <= 4 else (128, 64, 3)
    samples = np.random.default_rng(4).integers(0, 50000, shape, dtype=np.uint16)
    stored = write_linear_dng(tmp_path / "a.dng", samples, orientation=orientation)
    upright = write_linear_dng(tmp_path / "b.dng", np.ascontiguousarray(TURNS[orientation](samples)))
    assert np.array_equal(light(stored), light(upright))


TWO_LIGHTS: dict[str, Any] = {
    "color_matrix_1": CAMERA_A, "illuminant_1": 17, "color_matrix_2": CAMERA_D65, "illuminant_2": 21,
}  # fmt: skip


def test_colour_goes_by_both_matrices(tmp_path: Path) -> None:
    """The DNG model of the colour room, sample by sample; its own values are held to worked examples."""
    neutral = (0.75, 1, 0.45)
    samples = np.random.default_rng(5).integers(0, 29000, (16, 32, 3), dtype=np.uint16)
    path = write_linear_dng(tmp_path / "a.dng", samples, as_shot_neutral=neutral, **TWO_LIGHTS)
    lights = ((2850, CAMERA_A), (6500, CAMERA_D65))
    camera = Camera(tuple(Calibration(k, m, np.eye(3)) for k, m in lights), np.ones(3))
    expected = samples / 65535 @ camera.working_from_camera(camera.white_xy(neutral)).T
    assert np.allclose(light(path), expected, atol=2e-6)


def test_white_by_xy_is_white_by_neutral(tmp_path: Path) -> None:
    samples = np.random.default_rng(5).integers(0, 29000, (16, 32, 3), dtype=np.uint16)
    xy = tuple(planckian_xy(3300.0))
    neutral = neutral_of(xyz_from_xy(xy))
    by_xy = write_linear_dng(tmp_path / "a.dng", samples, as_shot_white_xy=xy)
    by_neutral = write_linear_dng(tmp_path / "b.dng", samples, as_shot_neutral=neutral)
    assert np.allclose(light(by_xy), light(by_neutral), atol=1e-5)


def test_a_fixed_white_makes_that_light_neutral(tmp_path: Path) -> None:
    white = xyz_from_xy(planckian_xy(3000.0))
    samples = np.rint(neutral_of(white) * 0.4 * 65535).astype(np.uint16)
    path = write_linear_dng(tmp_path / "a.dng", np.broadcast_to(samples, (16, 32, 3)).copy())
    assert np.ptp(light(path)) > 0.1
    assert np.allclose(light(path, white="fixed", white_kelvin=3000.0), 0.4, rtol=1e-4)
    with opened(path, white="fixed", white_kelvin=3000.0) as frame:
        assert frame.facts.white_xy == pytest.approx(tuple(planckian_xy(3000.0)))


def test_notes_tell_what_was_found(tmp_path: Path) -> None:
    samples = grey(0.2)
    samples[:8, :16] = 65535  # half of the upper hemisphere
    samples[8:, :16, 1] = 65535
    path = write_linear_dng(tmp_path / "a.dng", samples, baseline_exposure_ev=0.5)
    with opened(path) as frame:
        notes = frame.notes
    assert notes["clipped_in_all_planes_percent"] == pytest.approx(25, abs=0.1)
    assert notes["clipped_share_percent"] == pytest.approx(50, abs=0.1)
    assert notes["baseline_exposure_ev"] == 0.5
    assert notes["as_shot_cct_kelvin"] == pytest.approx(6504, abs=3)
    assert "read by direct" in str(notes["samples"])


def test_the_facts_of_the_shot_travel_along(tmp_path: Path) -> None:
    xmp = (
        b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
        b'<rdf:Description xmlns:GPano="http://ns.google.com/photos/1.0/panorama/" '
        b'GPano:PoseHeadingDegrees="271.5"><GPano:PosePitchDegrees>-1.25</GPano:PosePitchDegrees>'
        b"</rdf:Description></rdf:RDF></x:xmpmeta>"
    )
    place = [Tag(1, 2, "N"), Tag(2, 5, [(51, 1), (30, 1), (1, 2)])]
    shot = Shot(exposure_s=1 / 60, iso=400, gps=place)
    path = write_linear_dng(tmp_path / "a.dng", grey(0.2), shot=shot, xmp=xmp)
    with opened(path) as frame:
        capture = frame.facts.capture
    assert (capture.taken, capture.offset, capture.iso) == ("2026:11:24 21:10:00", "+00:00", 400)
    assert capture.exposure_s == pytest.approx(1 / 60)
    assert (capture.make, capture.lens) == ("Fenhollow Optical", "FH dual 1.5 mm")
    assert capture.gps == {1: "N", 2: (51, 1, 30, 1, 1, 2)}
    assert (capture.heading_deg, capture.pitch_deg, capture.roll_deg) == (271.5, -1.25, None)


def test_a_png_is_light_by_the_srgb_curve(tmp_path: Path) -> None:
    codes = np.random.default_rng(6).integers(0, 256, (16, 32, 3), dtype=np.uint8)
    Image.fromarray(codes).save(tmp_path / "a.png")
    expected = srgb_decode(codes / 255.0) @ WORKING_FROM_SRGB.T
    assert np.allclose(light(tmp_path / "a.png"), expected, atol=1e-6)
    assert np.allclose(light(tmp_path / "a.png") @ SRGB_FROM_WORKING.T, srgb_decode(codes / 255.0), atol=2e-6)


def test_of_files_too_small_to_be_laid_on_each_other_the_first_is_the_frame(tmp_path: Path) -> None:
    path = write_linear_dng(tmp_path / "a.dng", grey(0.2))
    with Decode().open([path, path], KEY, DecodeSettings()) as frame:
        assert "narrower than 128" in frame.review_reasons[0]


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 1e38])
@pytest.mark.parametrize("place", [(0, 0), (33, 77)])
def test_floats_that_are_no_light_are_refused(tmp_path: Path, bad: float, place: tuple) -> None:
    samples = np.full((64, 128, 3), 0.5, np.float32)
    samples[place] = bad
    path = write_linear_dng(tmp_path / "a.dng", samples)
    with pytest.raises(ValueError, match="no light"), opened(path) as frame:
        frame.reduced(64)


def room(tmp_path: Path) -> Path:
    samples = speckled()
    samples[20:30, 5:40] = 65535  # a window, wider than a hot pixel
    return write_linear_dng(tmp_path / "a.dng", samples)


def test_a_frame_opened_again_with_what_was_found_is_the_same_and_looks_at_no_sample(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = room(tmp_path)
    with opened(path) as first:
        assert first.probed.surroundings.all_percent > 0
        kept = loads(dumps(first.probed))
        wanted = first.read(0, 64)
    monkeypatch.setattr(DecodedFrame, "_probe", lambda self: pytest.fail("looked again"))
    with Decode().open([path], KEY, DecodeSettings(), kept) as again:
        assert np.array_equal(again.read(0, 64), wanted)
        assert again.facts == first.facts
        assert again.notes == first.notes


DAMAGED: dict[str, Any] = {
    "of another kind": {"anchor": 3},
    "an anchor out of the frame": lambda found: replace(found, anchor=128),
    "a level of nothing": lambda found: replace(found, level=np.zeros(3)),
    "a level of one plane": lambda found: replace(found, level=np.ones(1)),
    "no surroundings": lambda found: replace(found, surroundings=None),
    "no map": lambda found: replace(found, surroundings=Surroundings(None, 0.0, 0.0)),  # type: ignore[arg-type]
    "an endless map": lambda found: replace(
        found, surroundings=replace(found.surroundings, warmth_tint=np.full((8, 16, 2), np.inf))
    ),
    "a map of another shape": lambda found: replace(
        found, surroundings=replace(found.surroundings, warmth_tint=np.zeros((8, 8, 2)))
    ),
}


@pytest.mark.parametrize("damage", DAMAGED)
def test_what_was_found_and_damaged_since_is_found_anew(tmp_path: Path, damage: str) -> None:
    path = room(tmp_path)
    with opened(path) as first:
        wanted = first.read(0, 64)
    made = DAMAGED[damage]
    with Decode().open(
        [path], KEY, DecodeSettings(), made(first.probed) if callable(made) else made
    ) as again:
        assert np.array_equal(again.read(0, 64), wanted)
