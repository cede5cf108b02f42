"""The sample job is what its notes say, and panopipe finishes it well: measured against the known truth."""

from __future__ import annotations

import itertools
import json
import shutil
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import rawpy
import tifffile
from skimage.color import deltaE_ciede2000 as delta_e_2000

from panopipe.colour.lab import lab_from_xyz
from panopipe.frame import FrameKey
from panopipe.job import open_job
from panopipe.recipe import load_recipe
from panopipe.run.job_run import Options, look_at_job, run_job
from panopipe.run.rooms import proposed_rooms
from panopipe.sphere.geometry import direction, pitch_of_row, pixel_of, pixel_solid_angle, yaw_of_column
from panopipe.sphere.views import straight_down, view_from_frame
from panopipe.stages.decode import Decode
from tests.makers import camera
from tests.makers.dng import Shot

SAMPLE = Path(__file__).parent.parent / "sample_job"
TRUTH = json.loads((SAMPLE / "truth" / "truth.json").read_text(encoding="utf-8"))
FRAMES = sorted(TRUTH["frames"])
INDOORS = [name for name in FRAMES if TRUTH["frames"][name]["room"] != "deck"]
TAKES = {"deck-02": "flare spot", "deck-03": "person or thing"}
"""Takes of the deck besides the first, and what is wrong with them."""
EXPOSURES = [f"kitchen-{number:02d}" for number in range(1, 6)]
"""Of one place, merged."""
FOOT_DEG = 8.5
"""The monopod's feet reach this far from the nadir: .20 m at 1.5 m is 7.6 degrees, and the rubber tips."""


def original(name: str) -> Path:
    return SAMPLE / "originals" / TRUTH["frames"][name]["room"] / f"{name}.dng"


def original_room(name: str) -> str:
    return next(file.parent.name for file in (SAMPLE / "originals").rglob(f"{name}.dng"))


@cache
def decoded(name: str) -> np.ndarray:
    """The frame as it leaves decode, columns as in the file."""
    key = FrameKey(TRUTH["frames"][name]["room"], name)
    with Decode().open([original(name)], key, Decode.Settings()) as opened:
        rows = opened.read(0, opened.facts.height)
        return np.roll(rows, opened.facts.anchor_column, axis=1)


def floor_truth(name: str) -> np.ndarray:
    return np.load(SAMPLE / "truth" / f"{name}.npz")["floor"].astype(np.float32)


def floor_view() -> Any:
    told = TRUTH["floor_view"]
    return straight_down(told["size_px"], told["size_px"] / 2 / np.tan(np.radians(told["half_field_deg"])))


def from_nadir_deg(view: Any) -> np.ndarray:
    right, up = view.plane()
    return np.degrees(np.arctan(np.hypot(right, up)))


def spot_mean(picture: np.ndarray, spot: dict[str, Any]) -> np.ndarray:
    """Mean over the middle of a neutral spot (2 of its 3 degrees)."""
    column, row = pixel_of(spot["yaw_deg"], spot["pitch_deg"], picture.shape[1])
    reach = picture.shape[1] // 360
    rows, columns = np.arange(-reach, reach + 1) + round(float(row)), np.arange(-reach, reach + 1)
    return picture[rows][:, (columns + round(float(column))) % picture.shape[1]].mean((0, 1))


@pytest.mark.slow
def test_rooms_are_proposed_where_all_files_lie_in_one_folder(tmp_path: Path) -> None:
    """No two rooms are taken for one; lounge and bedroom, of two frames each, are found again."""
    (tmp_path / "originals").mkdir()
    for file in (SAMPLE / "originals").rglob("*.dng"):
        shutil.copy(file, tmp_path / "originals")
    job = open_job(tmp_path)
    looked = look_at_job(job, load_recipe(job), Options(workers=1))
    sights = {(key.name, sight.to.name) for key, stand in looked.stands.items() for sight in stand.sights}
    shot_together = [(f"{room}-01", f"{room}-02") for room in ("bedroom", "lounge")]
    assert sights >= {*shot_together, *(pair[::-1] for pair in shot_together)}
    rooms = proposed_rooms(looked).values()
    named = [{original_room(key.name) for key in keys} for keys in rooms]
    assert all(len(one) == 1 for one in named)
    together = [{key.name for key in keys} for keys in rooms]
    assert {"lounge-01", "lounge-02"} in together and {"bedroom-01", "bedroom-02"} in together


def test_five_rooms_and_an_exterior_under_45_megabytes() -> None:
    job = open_job(SAMPLE)
    assert [str(key.name) for key in job.alone] == sorted([*FRAMES, *TAKES, *EXPOSURES])
    assert sorted(job.rooms) == ["bathroom", "bedroom", "deck", "hall", "kitchen", "lounge"]
    load_recipe(job)
    ours = [p for p in SAMPLE.rglob("*") if p.is_file() and p.relative_to(SAMPLE).parts[0] in _COMMITTED]
    assert sum(path.stat().st_size for path in ours) < 45e6


_COMMITTED = {"originals", "truth", "make", "overrides", "job.toml", "recipe.toml"}


@pytest.mark.outside
@pytest.mark.parametrize("name", FRAMES)
def test_the_raw_library_and_the_codec_library_read_the_same_samples(name: str) -> None:
    """LibRaw (through rawpy) and tifffile with imagecodecs are independent readers of the same file."""
    with rawpy.imread(str(original(name))) as raw:
        samples = raw.raw_image[..., :3].copy()
        assert (raw.white_level, raw.black_level_per_channel[0]) == (camera.WHITE, camera.BLACK)
    with tifffile.TiffFile(original(name)) as file:
        page = file.pages[0]
        codes, table = page.asarray(), np.asarray(page.tags["LinearizationTable"].value)
    assert codes.shape[1] == 2 * codes.shape[0]
    np.testing.assert_array_equal(samples, table[codes])


@pytest.mark.parametrize("name", FRAMES)
def test_decode_gives_the_light_that_fell_on_the_neutrals(name: str) -> None:
    """The tolerance is the noise of the mean of 121 samples, and the shading over the spot."""
    spots = TRUTH["frames"][name]["neutrals"]
    assert len(spots) >= 8
    found = np.array([spot_mean(decoded(name), spot) for spot in spots])
    truth = np.array([spot["recorded_working"] for spot in spots])
    assert np.median(np.abs(found / truth - 1)) < 0.01
    assert np.abs(found / truth - 1).max() < 0.06


@pytest.mark.parametrize("name", [name for name in INDOORS if name.startswith(("lounge", "bedroom"))])
def test_the_window_is_six_stops_above_the_room(name: str) -> None:
    luminance = decoded(name) @ np.array([0.2627, 0.6780, 0.0593])
    weight = np.broadcast_to(pixel_solid_angle(len(luminance))[:, None], luminance.shape).ravel()
    order = np.argsort(luminance, axis=None)
    share = np.cumsum(weight[order]) / weight.sum()
    room = luminance.ravel()[order[np.searchsorted(share, 0.4)]]
    above = np.log2(np.maximum(luminance.ravel(), 1e-6) / room)
    bright = [100 * weight[above > ev].sum() / weight.sum() for ev in (5, 6)]
    print(f"{name}: {bright[0]:.2f} % of the sphere lies 5 EV above the room, {bright[1]:.2f} % 6 EV")
    assert bright[0] > 0.3
    assert bright[1] > 0.1


@pytest.mark.parametrize("name", FRAMES)
def test_only_the_monopod_parts_the_frame_from_its_truth(name: str) -> None:
    view = floor_view()
    seen = view_from_frame(decoded(name), 0, view, kernel="linear")
    away = from_nadir_deg(view)
    difference = np.abs(np.log2(np.maximum(seen, 1e-4) / floor_truth(name)).mean(-1))
    assert np.median(difference[away < 5]) > 1.5
    assert np.median(difference[(away > 14) & (away < 19)]) < 0.15


def _copy(folder: Path) -> Path:
    for part in ("originals", "overrides"):
        shutil.copytree(SAMPLE / part, folder / part)
    for part in ("job.toml", "recipe.toml"):
        shutil.copy(SAMPLE / part, folder / part)
    return folder


def _run(folder: Path) -> Path:
    job = open_job(folder)
    summary = run_job(job, load_recipe(job))
    assert not summary.errors
    assert {key.name for key in summary.finished} >= {*FRAMES, EXPOSURES[0]}
    return folder


def _without_monopod(name: str, folder: Path) -> None:
    """The same frame with the true floor under the camera, put in before the sensor quantises."""
    sensor = camera.Sensor()
    with tifffile.TiffFile(original(name)) as file:
        codes = file.pages[0].asarray()
    height, width = codes.shape[:2]
    first = round(height * (90 + 70) / 180)
    pitch = pitch_of_row(np.arange(first, height), height)[:, None]
    view = floor_view()
    column, row = view.index_of(direction(yaw_of_column(np.arange(width), width)[None], pitch))
    floor = cv2.remap(floor_truth(name), column.astype(np.float32), row.astype(np.float32), cv2.INTER_CUBIC)
    ev = TRUTH["frames"][name]["baseline_ev"]
    share = np.clip((-pitch - 71) / 2, 0, 1)[..., None]
    seen = sensor.linear(codes[first:])
    codes[first:] = sensor.quantised(seen * (1 - share) + camera.camera_from_recorded(floor, ev) * share)
    target = folder / original(name).relative_to(SAMPLE)
    camera.write_codes(target, codes, baseline_ev=ev, shot=Shot(), sensor=sensor)


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The job as it is shipped, finished."""
    return _run(_copy(tmp_path_factory.mktemp("sample")))


@pytest.fixture(scope="module")
def finished_bare(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The job as if no monopod had stood there, finished without the nadir stage."""
    folder = _copy(tmp_path_factory.mktemp("bare"))
    for name in FRAMES:
        _without_monopod(name, folder)
    recipe = (folder / "recipe.toml").read_text(encoding="utf-8")
    (folder / "recipe.toml").write_text(recipe.replace("[nadir]", "[nadir]\nuse = false"), encoding="utf-8")
    return _run(folder)


def picture(folder: Path, name: str) -> np.ndarray:
    path = folder / "finished" / TRUTH["frames"][name]["room"] / f"{name}.jpg"
    return cv2.imread(str(path))[..., ::-1]


def neutral_lab(linear_rec709: np.ndarray) -> np.ndarray:
    """Lab of the mean chromaticity of colours, brought to one lightness (Y = .5): only white counts."""
    xyz = linear_rec709 @ camera.XYZ_FROM_709.T
    mean = (xyz / xyz[:, 1:2]).mean(0)
    return lab_from_xyz(0.5 * mean, np.array([0.95047, 1.0, 1.08883]))


def largest_difference(labs: dict[str, np.ndarray]) -> float:
    pairs = itertools.combinations(labs.values(), 2)
    return max(float(delta_e_2000(one, other)) for one, other in pairs)


@pytest.mark.slow
def test_white_is_one_white_through_the_house(finished: Path) -> None:
    back = np.linalg.inv(camera.XYZ_FROM_709) @ np.linalg.inv(camera.BT2020_FROM_XYZ)
    before, after = {}, {}
    for name in INDOORS:
        spots = [spot for spot in TRUTH["frames"][name]["neutrals"] if spot["own_room"]]
        before[name] = neutral_lab(np.array([spot["recorded_working"] for spot in spots]) @ back.T)
        coded = np.array([spot_mean(picture(finished, name).astype(np.float64) / 255, s) for s in spots])
        linear = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
        after[name] = neutral_lab(linear)
    print({name: np.round(lab, 1).tolist() for name, lab in before.items()})
    print({name: np.round(lab, 1).tolist() for name, lab in after.items()})
    was, remains = largest_difference(before), largest_difference(after)
    print(f"neutrals across the rooms, largest delta E 2000: {was:.1f} before, {remains:.1f} after")
    assert was > 10
    assert remains < was / 2


@pytest.mark.slow
@pytest.mark.parametrize("name", FRAMES)
def test_the_floor_is_filled_as_if_no_monopod_had_stood_there(
    finished: Path, finished_bare: Path, name: str
) -> None:
    view = floor_view()
    away = from_nadir_deg(view)
    filled, truth = (
        view_from_frame(picture(folder, name).astype(np.float32), 0, view, kernel="linear")
        for folder in (finished, finished_bare)
    )
    foot = away < FOOT_DEG
    error = float(np.mean((filled[foot] - truth[foot]) ** 2))
    psnr = 10 * np.log10(255**2 / error)
    print(f"{name}: {psnr:.1f} dB under the foot")
    assert psnr > 18
    assert np.median(np.abs(filled - truth)[(away > 15) & (away < 19)]) <= 3


def test_of_three_takes_of_the_deck_the_clean_one_is_finished(finished: Path) -> None:
    group = open_job(finished).group(FrameKey("deck", "deck-01"))
    assert group is not None
    assert group.used == ("originals/deck/deck-01.dng",)
    assert [take.faults[0].kind if take.faults else "" for take in group.takes] == ["", *TAKES.values()]


def test_no_position_leaves_the_house(finished: Path) -> None:
    for name in FRAMES:
        data = (finished / "finished" / TRUTH["frames"][name]["room"] / f"{name}.jpg").read_bytes()
        with tifffile.TiffFile(original(name)) as file:
            assert "GPSTag" in file.pages[0].tags
        assert b"\x88\x25\x00\x04" not in data[:4096] and b"\x25\x88\x04\x00" not in data[:4096]
