"""A place's files, and what is reckoned from them, on a small made-up place."""

from pathlib import Path

import numpy as np
import pytest

from panopipe.frame import FrameKey
from panopipe.stages.decode import Decode
from sample_job.make.calm import LUMINANCE, calmed
from tests.makers.camera import recorded_working
from tests.makers.place_job import File, write_job
from tests.scenes.place import EXTERIOR, GREY_CARD, PAINT, WALL, Place, read_place, write_place

LAMP_RGB, DAY_RGB = [1.8, 0.85, 0.15], [0.95, 1.0, 1.15]
LIT = 0.05


def made_up() -> Place:
    """White paint under a lamp and a window, half and half across the frame; the view 128 times as bright."""
    height, width = 32, 64
    share = np.linspace(0, 1, width, dtype=np.float32)[None, :, None]
    paint = np.full((height, width, 1), LIT, np.float32)
    lights = {"lamp": paint * (1 - share) * LAMP_RGB, "sky": paint * share * DAY_RGB}
    labels = np.full((height, width), PAINT, np.uint8)
    labels[14:18, 30:34], labels[20:26, 8:16] = EXTERIOR, GREY_CARD
    lights["sky"][labels == EXTERIOR] = np.array(DAY_RGB) * LIT * 128
    told = {"lamp": {"kind": "lamp", "rgb": LAMP_RGB}, "sky": {"kind": "daylight", "rgb": DAY_RGB}}
    lights = {name: light.astype(np.float32) for name, light in lights.items()}
    reflectance = np.full((height, width, 3), 0.8, np.float32)
    return Place("hut", lights, labels, reflectance, {"lights": told, "cards": {}})


def test_files_hold_the_place_to_a_half_float(tmp_path: Path) -> None:
    place = made_up()
    write_place(tmp_path / "hut", place)
    again = read_place(tmp_path / "hut")
    np.testing.assert_allclose(again.mixed, place.mixed, rtol=2**-10)
    np.testing.assert_array_equal(again.labels, place.labels)
    assert again.facts == place.facts


def test_under_true_white_paint_is_neutral_whatever_light_falls_there() -> None:
    place = made_up()
    np.testing.assert_allclose(place.true_white[place.labels == PAINT], LIT, rtol=1e-5)
    assert place.daylight_share[0, 0] == 0
    assert place.daylight_share[0, -1] == pytest.approx(1)
    assert list(place.cards()) == [GREY_CARD]


@pytest.mark.parametrize("file", ["single", "merged"])
def test_a_job_holds_the_light_up_to_its_headroom(tmp_path: Path, file: File) -> None:
    """The room is read back to within the noise of a mean over 512 pixels; the view stands 12.8 times over
    white, of which one exposure holds 8 in the channel that clips first."""
    place = made_up()
    write_job([place], tmp_path, file=file, noise="clean")
    path = tmp_path / "originals" / "hut" / "hut-01.dng"
    with Decode().open([path], FrameKey("hut", "hut-01"), Decode.Settings(clipped="as-recorded")) as opened:
        found = np.roll(opened.read(0, 32), opened.facts.anchor_column, axis=1)
    truth = recorded_working(place.mixed, saturation=place.white_level, baseline_ev=0)
    np.testing.assert_allclose(found[:8].mean((0, 1)), truth[:8].mean((0, 1)), rtol=0.02)
    view = found[15:17, 31:33].mean() / truth[15:17, 31:33].mean()
    if file == "merged":
        assert view == pytest.approx(1, rel=0.02)
    else:
        assert view < 0.9


def _blotched() -> tuple[dict[str, np.ndarray], np.ndarray]:
    random = np.random.default_rng(5)
    height, width = 128, 256
    share = np.where(np.arange(width) < width // 2, 0.2, 0.7)[None, :, None] + np.zeros((height, 1, 1))
    share = share + 0.01 * random.standard_normal((height, width, 1))
    lights = {"lamp": (1 - share) * LAMP_RGB, "sky": share * DAY_RGB}
    plain = np.full((height, width), WALL, np.uint8)
    plain[40:60] = 0
    return {name: light.astype(np.float32) for name, light in lights.items()}, plain


def test_blotches_go_from_plain_surfaces_and_edges_of_light_stay() -> None:
    lights, plain = _blotched()
    result = calmed(lights, plain)
    luminance = sum(lights.values()) @ LUMINANCE
    np.testing.assert_allclose(sum(result.values()) @ LUMINANCE, luminance, rtol=1e-5)
    for name, light in lights.items():
        np.testing.assert_array_equal(result[name][plain == 0], light[plain == 0])
    share = (result["sky"] @ LUMINANCE / luminance)[70:]
    assert share[:, 10:118].std() < 0.01 / 5
    assert share[:, 138:240].mean() - share[:, 10:118].mean() == pytest.approx(0.5, abs=0.01)
    assert (share[:, 130] - share[:, 126]).mean() == pytest.approx(0.5, abs=0.05)


def test_evening_out_turns_with_the_frame() -> None:
    lights, plain = _blotched()
    turned = calmed({name: np.roll(light, 64, 1) for name, light in lights.items()}, np.roll(plain, 64, 1))
    for name, light in calmed(lights, plain).items():
        np.testing.assert_array_equal(turned[name], np.roll(light, 64, 1))
