"""Lay freshly rendered paint over the walls and ceilings of the sample job's frames, and over their truth.

    python -m sample_job.make.repaint PAINTWORK [--job sample_job]

PAINTWORK is what `paintwork.py` wrote. Nothing but even paint is touched; run it from the project's root in
the environment of the tests.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray

from panopipe.sphere.geometry import pixel_of
from sample_job.make.calm import calmed
from sample_job.make.develop import LIGHTS, exif, ready_made, saturation
from sample_job.make.plan import SHOTS, Shot
from tests.makers import camera

INSET_PX, FEATHER_PX = 5, 2.0
"""How far inside of a coat's edge the new paint begins (two pixels of the smaller rendering and a half), and
the standard deviation of its fading in."""
NEAR_PX = 8.0
"""Old paint along edges takes on the change of the new paint about it, within this standard deviation."""
WRAP_PX = 32


def paint(
    folder: Path, name: str, width: int
) -> tuple[list[np.ndarray], NDArray[np.float32], NDArray[np.float32]]:
    """Each light of the new paint, linear Rec.709, in the frame's size; how far it covers; where paint is."""
    with np.load(folder / f"{name}.npz") as file:
        coat = file["coat"]
        share = file["share"] if "share" in file.files else np.ones((len(coat), 1), np.float32)
        lights = {key: file[key] for key in LIGHTS if key in file.files}
    inside = _grown((coat > 0).astype(np.float32), width, cv2.INTER_NEAREST)
    # Only one coat at a time: where two meet there is an edge, too.
    for number in np.unique(coat):
        mask = _grown((coat == number).astype(np.uint8), width, cv2.INTER_NEAREST)
        inside[(mask > 0) & (_eroded(mask) == 0)] = 0
    cover = _wrapped(inside, lambda values: cv2.GaussianBlur(values, (0, 0), FEATHER_PX)) * (inside > 0)
    fresh = [_grown(light, width, cv2.INTER_CUBIC) for light in calmed(lights, coat).values()]
    rows = cv2.resize(share, (1, width // 2), interpolation=cv2.INTER_LINEAR).reshape(-1, 1)
    coated = _grown((coat > 0).astype(np.float32), width, cv2.INTER_LINEAR) * rows
    return fresh, (np.clip(2 * cover - 1, 0, 1) * rows).astype(np.float32), coated


def touched_up(
    seen: np.ndarray, values: np.ndarray, cover: NDArray[np.float32], coated: NDArray[np.float32]
) -> np.ndarray:
    """The frame with its paint along edges changed as the paint about it is: no rim is left."""
    share = cover[..., None]

    def near(picture: np.ndarray) -> np.ndarray:
        return _wrapped(picture.astype(np.float32), lambda wide: cv2.GaussianBlur(wide, (0, 0), NEAR_PX))

    known = np.minimum(near(cover) / 0.02, 1)[..., None]
    change = (near(values * share) + 1e-6) / (near(seen * share) + 1e-6)
    return np.asarray(seen * (1 + (change - 1) * known * coated[..., None]))


def matched(lights: list[np.ndarray], seen: np.ndarray, cover: NDArray[np.float32]) -> np.ndarray:
    """Camera values of all lights, each as bright as the frame has it, whose old paint stays at edges."""
    there = cover == 1
    weight = 1 / np.maximum(seen[there], 1e-4)
    columns = [(light[there] * weight).ravel() for light in lights]
    gains = np.linalg.lstsq(np.stack(columns, 1), (seen[there] * weight).ravel(), rcond=None)[0]
    print(f"  lights brought to {np.round(gains, 3).tolist()} of what was rendered")
    return np.asarray(sum(gain * light for gain, light in zip(gains, lights, strict=True)))


def _wrapped(values: np.ndarray, change: Any) -> np.ndarray:
    wide = np.concatenate([values[:, -WRAP_PX:], values, values[:, :WRAP_PX]], 1)
    return np.ascontiguousarray(change(wide)[:, WRAP_PX:-WRAP_PX])


def _eroded(mask: np.ndarray) -> np.ndarray:
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * INSET_PX + 1,) * 2)
    return _wrapped(mask, lambda values: cv2.erode(values, disc))


def _grown(values: np.ndarray, width: int, kernel: int) -> np.ndarray:
    factor = width // values.shape[1]
    wide = np.concatenate([values[:, -4:], values, values[:, :4]], 1)
    size = (wide.shape[1] * factor, wide.shape[0] * factor)
    return np.ascontiguousarray(cv2.resize(wide, size, interpolation=kernel)[:, 4 * factor : -4 * factor])


def repaint(folder: Path, job: Path, shot: Shot, told: dict[str, Any], seed: int) -> None:
    """Write one frame anew, and the light of its neutral places in the table of truth."""
    path = job / "originals" / shot.room / f"{shot.name}.dng"
    with tifffile.TiffFile(path) as file:
        codes = file.pages[0].asarray()
    sensor, level = camera.Sensor(), saturation(shot)
    lights, cover, coated = paint(folder, shot.name, codes.shape[1])
    share = cover[..., None]
    seen = sensor.linear(codes)
    values = matched([camera.camera_values(light, level) for light in lights], seen, cover)
    fresh = sensor.linear(sensor.codes(values, np.random.default_rng(seed)))
    edges = touched_up(seen, values, cover, coated)
    mixed = edges * (1 - share) + fresh * share
    print(
        f"{shot.name}: {100 * cover.mean():.0f} % covered; light {_ratio(fresh, seen, cover)} of what it was"
    )
    changed = np.where(coated[..., None] > 0, sensor.quantised(mixed), codes)
    camera.write_codes(path, changed, baseline_ev=shot.baseline_ev, shot=exif(shot), sensor=sensor)
    clean = edges * (1 - share) + values * share
    _tell(told, _working(clean, shot), coated)
    if shot.name == "lounge-01":
        ready_made(path.with_suffix(".jpg"), _light(clean, level) * 2**shot.baseline_ev / level * 2)


def _ratio(fresh: np.ndarray, seen: np.ndarray, cover: np.ndarray) -> str:
    there = cover == 1
    return " ".join(f"{value:.3f}" for value in np.median(fresh[there] / np.maximum(seen[there], 1e-5), 0))


def _light(values: np.ndarray, level: float) -> np.ndarray:
    """Linear Rec.709 light of camera values."""
    return np.asarray(values @ np.linalg.inv(camera.camera_values(np.eye(3), level)))


def _working(values: np.ndarray, shot: Shot) -> np.ndarray:
    level = saturation(shot)
    return camera.recorded_working(_light(values, level), saturation=level, baseline_ev=shot.baseline_ev)


def _tell(told: dict[str, Any], recorded: np.ndarray, cover: np.ndarray) -> None:
    """The light of every neutral place that new paint has reached, a cell of 3 degrees as in `develop`."""
    cell = recorded.shape[1] // 128
    for spot in told["neutrals"]:
        column, row = (
            int(value) // cell * cell
            for value in pixel_of(spot["yaw_deg"], spot["pitch_deg"], recorded.shape[1])
        )
        part = (slice(row, row + cell), slice(column, column + cell))
        if cover[part].any():
            spot["recorded_working"] = [round(float(value), 6) for value in recorded[part].mean((0, 1))]


def main() -> None:
    """Repaint all frames that there is new paint for."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("paintwork", type=Path)
    parser.add_argument("--job", type=Path, default=Path("sample_job"))
    asked = parser.parse_args()
    table = asked.job / "truth" / "truth.json"
    facts = json.loads(table.read_text(encoding="utf-8"))
    for number, shot in enumerate(SHOTS):
        if (asked.paintwork / f"{shot.name}.npz").exists():
            repaint(asked.paintwork, asked.job, shot, facts["frames"][shot.name], 2000 + number)
    table.write_text(json.dumps(facts, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
