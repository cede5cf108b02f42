"""Run panopipe on real light: `python -m tests.benchmarks.real_light FOLDER [--out DIR]`.

FOLDER holds radiance panoramas (.exr or .hdr, equirectangular 2:1, linear Rec.709). Each is photographed
with the tests' invented camera (two matrices, clipping, shot and read noise, white set to daylight) into a
linear DNG, every one a room of its own, and the job is run with the default recipe; only the nadir stage is
off, as there is no monopod. DIR gets the job, and for each panorama a picture: the whole sphere and four
level views, above as the file stands, below as panopipe finished it. Then a table is printed. EXR needs the
OpenEXR package.
"""

from __future__ import annotations

import argparse
import contextlib
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.colour.transfer import srgb_encode
from panopipe.sphere.geometry import pixel_solid_angle
from panopipe.sphere.views import view_from_frame, view_towards
from tests.makers import camera
from tests.makers.dng import Shot

Light = NDArray[np.float32]
BASELINE_EV = 2.0
VIEW_PX = 480
WHITE_REC709_FROM_2020 = np.linalg.inv(camera.XYZ_FROM_709) @ np.linalg.inv(camera.BT2020_FROM_XYZ)


def read_light(path: Path, width: int | None) -> Light:
    """Linear Rec.709 light of a radiance panorama, scaled to `width` if one is given.

    Raises
    ------
    ValueError
        If the picture cannot be read or is not 2:1.
    """
    if path.suffix.lower() == ".exr":
        import OpenEXR  # noqa: PLC0415  (only for EXR files)

        channels = OpenEXR.File(str(path)).channels()
        rgb = next((channels[name].pixels for name in ("RGB", "RGBA") if name in channels), None)
        if rgb is None:
            rgb = np.stack([channels[name].pixels for name in "RGB"], axis=-1)
    else:
        bgr = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
        if bgr is None:
            raise ValueError(f"{path.name} cannot be read as a picture")
        rgb = bgr[..., ::-1]
    light = np.maximum(np.nan_to_num(np.asarray(rgb[..., :3], np.float32)), 0)
    if light.shape[1] != 2 * light.shape[0]:
        raise ValueError(f"{path.name}: {light.shape[1]}x{light.shape[0]} is not 2:1")
    return light if width is None else _scaled(light, width)


def _scaled(light: Light, width: int) -> Light:
    """Scale a sphere; above its own size linearly, as a cubic would ring darkly about a sun or lamp."""
    if width <= light.shape[1]:
        return cv2.resize(light, (width, width // 2), interpolation=cv2.INTER_AREA)
    margin = 16
    factor = width / light.shape[1]
    wide = np.concatenate([light[:, -margin:], light, light[:, :margin]], axis=1)
    grown = cv2.resize(wide, None, fx=factor, fy=factor, interpolation=cv2.INTER_LINEAR)
    start = round(margin * factor)
    return np.ascontiguousarray(np.maximum(grown[: width // 2, start : start + width], 0))


def saturation_of(light: Light, clipped_share: float) -> float:
    """Luminance that clips when the photographer lets the brightest `clipped_share` of the sphere go."""
    peak = light.max(axis=-1)
    weight = np.broadcast_to(pixel_solid_angle(light.shape[0])[:, None], peak.shape).ravel()
    order = np.argsort(peak, axis=None)
    heaped = np.cumsum(weight[order]) / weight.sum()
    return float(peak.ravel()[order[np.searchsorted(heaped, 1 - clipped_share)]])


def write_job(files: list[Path], job: Path, width: int | None, clipped_share: float) -> dict[str, float]:
    """Photograph every panorama; returns the share of the sphere that clipped in each file, in percent."""
    clipped = {}
    for seed, path in enumerate(files):
        light = read_light(path, width)
        saturation = saturation_of(light, clipped_share)
        target = job / "originals" / path.stem / f"{path.stem}.dng"
        camera.shoot(
            target,
            light,
            saturation=saturation,
            baseline_ev=BASELINE_EV,
            seed=seed,
            shot=Shot(exposure_s=None, f_number=None, iso=None),  # nobody knows what they were
            white=camera.DAYLIGHT,
        )
        over = camera.camera_values(light, saturation, camera.DAYLIGHT).max(axis=-1) >= 1
        clipped[path.stem] = 100 * _share(over)
    (job / "recipe.toml").write_text("[nadir]\nuse = false\n", encoding="utf-8")
    return clipped


def _share(where: NDArray[np.bool_]) -> float:
    weight = pixel_solid_angle(where.shape[0])
    return float((where.mean(axis=1) * weight).sum() / weight.sum())


def as_it_stands(light: Light, saturation: float) -> Light:
    """The file's own picture: its white, its exposure, clipped, and nothing else done."""
    scene = np.minimum(light, saturation)
    working = camera.recorded_working(
        scene, saturation=saturation, baseline_ev=BASELINE_EV, white=camera.DAYLIGHT
    )
    return srgb_encode(np.clip(working @ WHITE_REC709_FROM_2020.T, 0, 1)).astype(np.float32)


def sheet(picture: Light) -> Light:
    """The sphere over four level 90-degree views."""
    views = [
        view_from_frame(picture, 0, view_towards(yaw, 0, field_deg=90, width=VIEW_PX), kernel="linear")
        for yaw in (-90, 0, 90, 180)
    ]
    whole = cv2.resize(picture, (4 * VIEW_PX, 2 * VIEW_PX), interpolation=cv2.INTER_AREA)
    return np.concatenate([whole, np.concatenate(views, axis=1)])


def compare(path: Path, job: Path, out: Path, width: int | None, clipped_share: float) -> tuple[float, ...]:
    """Write before over after; returns what the table says of the finished picture."""
    light = read_light(path, width)
    finished = cv2.imread(str(job / "finished" / path.stem / f"{path.stem}.jpg"))
    if finished is None:
        raise FileNotFoundError(f"{path.stem} was not finished")
    after = np.ascontiguousarray(finished[..., ::-1]).astype(np.float32) / 255
    before = as_it_stands(light, saturation_of(light, clipped_share))
    both = np.concatenate([sheet(before), np.ones((12, 4 * VIEW_PX, 3), np.float32), sheet(after)])
    codes = np.round(np.clip(both, 0, 1) * 255).astype(np.uint8)[..., ::-1]
    (out / f"{path.stem}.png").write_bytes(cv2.imencode(".png", codes)[1].tobytes())
    weight = pixel_solid_angle(after.shape[0])[:, None] / (4 * np.pi)

    def mean_lightness(picture: Light) -> float:
        linear = np.where(picture <= 0.04045, picture / 12.92, ((picture + 0.055) / 1.055) ** 2.4)
        luminance = linear @ np.array([0.2126, 0.7152, 0.0722])
        lightness = np.where(luminance > 0.0088565, 116 * np.cbrt(luminance) - 16, 903.3 * luminance)
        return float((lightness * weight).sum())

    return (
        mean_lightness(before),
        mean_lightness(after),
        100 * _share(before.max(-1) >= 1),
        100 * _share(finished.max(-1) == 255),
        100 * _share(finished.max(-1) <= 2),
    )


@contextlib.contextmanager
def _folder(asked: Path | None) -> Iterator[Path]:
    if asked is not None:
        asked.mkdir(parents=True, exist_ok=True)
        yield asked
        return
    with tempfile.TemporaryDirectory() as name:
        yield Path(name)


def main() -> None:
    """Photograph, run, compare, print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--out", type=Path, help="where the job and the pictures stay; nowhere by default")
    parser.add_argument("--width", type=int, help="width of the frames; each panorama's own by default")
    parser.add_argument("--clip", type=float, default=0.5, help="percent of the sphere that may clip")
    asked = parser.parse_args()
    files = sorted(path for path in asked.folder.iterdir() if path.suffix.lower() in (".exr", ".hdr"))
    if not files:
        parser.error(f"{asked.folder} holds no .exr or .hdr file")
    with _folder(asked.out) as out:
        job = out / "job"
        clipped = write_job(files, job, asked.width, asked.clip / 100)
        command = [sys.executable, "-c", "from panopipe.cli import main; main()", "run", str(job)]
        subprocess.run(command, check=True)
        print(
            "panorama      raw clipped %  L* before  L* after"
            "  clipped before %  clipped after %  black after %"
        )
        for path in files:
            told = compare(path, job, out, asked.width, asked.clip / 100)
            print(f"{path.stem:12}  {clipped[path.stem]:13.2f}  {told[0]:9.1f}  {told[1]:8.1f}", end="")
            print(f"  {told[2]:16.2f}  {told[3]:15.3f}  {told[4]:13.3f}")


if __name__ == "__main__":
    main()
