"""Exposures opened as one frame: what is merged, what is left out, and that a turn of all turns the frame."""

from pathlib import Path

import numpy as np
import pytest

from panopipe.frame import FrameKey
from panopipe.pipeline.engine import reduce_rows
from panopipe.stages.decode import Decode, DecodeSettings
from panopipe.state.serialization import dumps, loads
from tests.makers.bracket import room_light, write_bracket
from tests.makers.camera import recorded_working

KEY = FrameKey("hall", "hall-01")
EVS = (0.0, -2.0, -4.0, 2.0)


def opened(files, probed=None):
    return Decode().open(files, KEY, DecodeSettings(), probed)


@pytest.fixture(scope="module")
def bracket(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    return write_bracket(tmp_path_factory.mktemp("bracket"), room_light(), EVS)


def test_light_above_white_is_read_from_the_short_exposures(bracket: list[Path]) -> None:
    """The window stands at 1.3 to 13 times white. Its noise in the exposures that hold it is up to
    4 % (10,000 electrons at saturation, 10 of reading); the mean of some 600 pixels is known to a percent."""
    with opened(bracket) as frame:
        light = frame.read(0, 128)
    truth = recorded_working(room_light(), saturation=1, baseline_ev=0)
    truth = np.roll(truth, -frame.facts.anchor_column, axis=1)
    window = truth.mean(axis=-1) > 1.5
    assert window.sum() > 300
    assert abs(light[window].mean() / truth[window].mean() - 1) < 0.01
    room = truth.mean(axis=-1) < 0.15  # noise by 1 / sqrt(5.3), but where something beside it is brighter
    assert np.std((light - truth)[room]) < 0.7 * np.std(read_alone(bracket[0], frame) - truth[room])


def read_alone(file: Path, merged) -> np.ndarray:
    with opened([file]) as frame:
        light = np.roll(frame.read(0, 128), frame.facts.anchor_column, axis=1)
    truth = recorded_working(room_light(), saturation=1, baseline_ev=0)
    shift = -merged.facts.anchor_column
    room = np.roll(truth, shift, axis=1).mean(axis=-1) < 0.15
    return np.roll(light, shift, axis=1)[room]


def test_rows_have_the_same_bits_however_they_are_asked_for(bracket: list[Path]) -> None:
    with opened(bracket) as frame:
        whole = frame.read(0, 128)
        parts = [frame.read(first, last) for first, last in ((90, 128), (0, 7), (7, 50), (50, 90))]
    np.testing.assert_array_equal(whole, np.concatenate([*parts[1:], parts[0]]))


def test_what_was_found_is_enough_to_open_it_again(bracket: list[Path]) -> None:
    with opened(bracket) as frame:
        found, light = frame.probed, frame.read(0, 128)
    with opened(bracket, loads(dumps(found))) as again:
        np.testing.assert_array_equal(again.read(0, 128), light)
        assert again.facts == frame.facts


def test_a_turn_of_all_exposures_turns_the_frame(tmp_path: Path, bracket: list[Path]) -> None:
    import imagecodecs  # noqa: F401, PLC0415

    from tests.makers.bracket import SMALL_SENSOR  # noqa: PLC0415
    from tests.makers.camera import write_codes  # noqa: PLC0415
    from tests.makers.dng import Shot  # noqa: PLC0415

    random = np.random.default_rng(5)
    codes = [random.integers(200, 30_000 // (k + 1), (64, 128, 3)).astype(np.uint16) // 200 for k in range(2)]
    frames = []
    for turn in (0, 37):
        files = [
            write_codes(
                tmp_path / f"{turn}-{k}.dng",
                np.roll(c, turn, axis=1),
                baseline_ev=0,
                shot=Shot(exposure_s=(1 / 8) ** k),
                sensor=SMALL_SENSOR,
            )
            for k, c in enumerate((codes[0], codes[0] // 2))
        ]
        with opened(files) as frame:
            frames.append((frame.facts.anchor_column, frame.read(0, 64)))
    assert (frames[1][0] - frames[0][0]) % 128 == 37
    np.testing.assert_array_equal(frames[0][1], frames[1][1])


def test_a_broken_exposure_costs_its_share_and_is_told(tmp_path: Path) -> None:
    files = write_bracket(tmp_path, room_light(), EVS)
    files[1].write_bytes(files[1].read_bytes()[:4000])
    with opened(files) as frame:
        assert "hall-02.dng is left out" in frame.review_reasons[0]
        assert "hall-03" in frame.notes["exposures_merged"]
        assert np.isfinite(frame.read(0, 128)).all()


def test_an_exposure_of_another_place_is_left_out(tmp_path: Path) -> None:
    here, elsewhere = room_light(), room_light(seed=8)
    files = write_bracket(tmp_path, here, (0, -2, 2), lights=[here, elsewhere, here])
    with opened(files) as frame:
        assert "hall-02.dng is left out: it does not show this place" in frame.review_reasons[0]
        assert "hall-03" in frame.notes["exposures_merged"]


def test_tags_that_are_off_by_a_third_do_not_change_the_light(tmp_path: Path) -> None:
    (tmp_path / "right").mkdir()
    right = write_bracket(tmp_path / "right", room_light(), (0, -3))
    wrong = write_bracket(tmp_path / "wrong", room_light(), (0, -3), told_off_ev=0.3)
    with opened(right) as one, opened(wrong) as other:
        np.testing.assert_allclose(other.read(30, 90), one.read(30, 90), rtol=1e-6)


def test_to_look_at_a_frame_exposures_are_merged_reduced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Means of merged samples are merged means, but for what single samples decide otherwise: a few in a
    thousand at the window's edge. The same if opened again."""
    for module in ("exposures.opening", "stages.decode"):
        monkeypatch.setattr(f"panopipe.{module}.REDUCED_WIDTH", 128)
    light = np.kron(room_light(64), np.ones((8, 8, 1), np.float32))
    files = write_bracket(tmp_path, light, (0, -3, 3))
    with opened(files) as frame:
        found, reduced, whole = frame.probed, frame.reduced(128), frame.read(0, 256)
    with opened(files, loads(dumps(found))) as again:
        np.testing.assert_array_equal(again.reduced(128), reduced)
        np.testing.assert_array_equal(again.reduced(64), reduce_rows(reduced, 64))
    means = reduce_rows(whole, 128)
    plain = means > 0.01
    off = np.abs(reduced[plain] / means[plain] - 1)
    assert np.mean(off > 0.05) < 1e-3
    assert np.median(off) < 1e-2
