"""Measure the nadir stage on generated floors whose truth is known: `python -m tests.benchmarks.nadir`.

Prints one row a floor and foot: PSNR and SSIM inside the mask in the straight-down view against the frame
without monopod, beside OpenCV's two inpainting methods on the same mask; what the mask missed and took (and
missed when shadow counts from 3 % of the light instead of 5 %); steps over the mask's edge against steps
elsewhere, and the same of the true floor, whose joints may lie on the edge; grain and variance inside against
outside, and those of the true floor; seconds of CPU. Floors marked * are a set that nothing was tuned on.
With `--neighbours` the same with a second frame two metres away. `--sheet FILE.png` writes before, after,
truth, and the better of OpenCV's two.
"""

from __future__ import annotations

import argparse
import math
import time
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.metrics import structural_similarity

from panopipe.colour.spaces import SRGB_FROM_WORKING
from panopipe.colour.transfer import srgb_encode
from panopipe.frame import Band, Frame, FrameFacts, FrameKey
from panopipe.sphere.views import frame_focal_px, straight_down, view_from_frame
from panopipe.stage import JobFacts, Observation, StageContext
from panopipe.stages.nadir import Nadir, NadirSettings
from tests.scenes.floors import FLOORS, HELD_OUT, Foot, Seen, Stand, see

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]
FEET_DEG = (6.0, 10.0, 14.0)
VIEW_REACH = 0.8
ALL = {**FLOORS, **HELD_OUT}
SURVEYED = ("planks", "square tiles", "carpet", "hexagonal tiles")
"""Floors of the other frames, seen by the survey only, of the one job whose monopod stands on toes."""


@dataclass(frozen=True)
class Case:
    """One frame of the benchmark's job, and its neighbour if there is one."""

    name: str
    key: FrameKey
    seen: Seen
    neighbour: Seen | None
    foot: Foot


def main() -> None:
    """Run what the command line asks for."""
    options = _options()
    settings = NadirSettings(use_neighbours=options.neighbours)
    also = ", with a neighbour 2 m away" if options.neighbours else ""
    print(
        f"{options.width} x {options.width // 2}{also}\n"
        "floor            foot |  ours dB SSIM | Telea dB SSIM |    NS dB SSIM | gain dB | missed taken"
        " (at 3 %) | step (truth)  grain (truth) variance | CPU s  how"
    )
    print("(* not tuned on)")
    sheets = []
    for number, foot_deg in enumerate(options.feet):
        cases = _job(options, foot_deg, number)
        for case, row, sheet in _measured(cases, settings, options):
            print(row, flush=True)
            sheets.append(sheet)
            del case
    if options.sheet:
        _write_sheet(options.sheet, sheets)


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--width", type=int, default=6144)
    parser.add_argument("--feet", type=float, nargs="+", default=list(FEET_DEG), help="foot radii in degrees")
    parser.add_argument("--floors", nargs="+", default=list(ALL), choices=list(ALL))
    parser.add_argument("--neighbours", action="store_true")
    parser.add_argument("--sheet", type=Path)
    return parser.parse_args()


def _job(options: argparse.Namespace, foot_deg: float, number: int) -> list[Case]:
    """Draw one frame of each floor under one monopod, as one job."""
    cases = []
    for at, name in enumerate(options.floors):
        rng = np.random.default_rng((number, at))
        gloss = 0.12 if name == "polished" else 0.0
        heading, light, away = rng.uniform(0, 360, 3)
        # The rug's edge lies where it crosses the disc.
        x_m, y_m = (0.0, 0.0) if name == "rug edge" else (0.3 * at, 0.2 * number)
        stand = Stand(x_m, y_m, 1.5, heading, light, gloss, seed=at + 1)
        foot = Foot(foot_deg, toes=3 if name == "deck" else 0)
        top = -27 if options.neighbours else -38
        seen = see(ALL[name](), stand, foot, width=options.width, top_pitch_deg=top)
        other = None
        if options.neighbours:
            x, y = stand.x_m + 2 * math.cos(away), stand.y_m + 2 * math.sin(away)
            there = Stand(x, y, 1.5, rng.uniform(0, 360), light, gloss, seed=at + 100)
            other = see(ALL[name](), there, foot, width=options.width, top_pitch_deg=top)
        cases.append(Case(name, FrameKey(name, "1"), seen, other, foot))
    return cases


def _jobs(cases: list[Case]) -> list[tuple[list[Case], list[Frame]]]:
    """Cases by monopod, as one job has one; with frames for the survey where there would be one case only."""
    jobs = []
    for foot in dict.fromkeys(case.foot for case in cases):
        own = [case for case in cases if case.foot == foot]
        others = _surveyed(foot) if len(own) == 1 else []
        jobs.append((own, others))
    return jobs


def _surveyed(foot: Foot) -> list[Frame]:
    frames = []
    for at, name in enumerate(SURVEYED):
        stand = Stand(0.4 * at, 0.9, 1.5, 80.0 * at, 110.0 * at, seed=at + 50)
        seen = see(ALL[name](), stand, foot, width=1024, top_pitch_deg=-27)
        frames.append(_reduced(seen, FrameFacts(FrameKey("also", str(at)), 1024, 512)))
    return frames


def _whole(seen: Seen) -> Picture:
    width = seen.rows.shape[1]
    frame = np.full((width // 2, width, 3), 0.3, np.float32)
    frame[seen.first :] = seen.rows
    return frame


def _reduced(seen: Seen, facts: FrameFacts) -> Frame:
    return Frame(cv2.resize(_whole(seen), (1024, 512), interpolation=cv2.INTER_AREA), facts)


def _measured(cases: list[Case], settings: NadirSettings, options: argparse.Namespace):
    for own, others in _jobs(cases):
        yield from _measured_job(own, others, settings, options)


def _measured_job(cases, others, settings, options):
    nadir = Nadir()
    observed, frames = {}, {}
    for frame in others:
        observed[frame.facts.key] = Observation(nadir.survey(frame, settings), settings, frame.facts)
    for case in cases:
        for name, seen in (("1", case.seen), ("2", case.neighbour)):
            if seen is not None:
                key = FrameKey(case.name, name)
                facts = FrameFacts(key, options.width, options.width // 2)
                frames[key] = _reduced(seen, facts)
                observed[key] = Observation(nadir.survey(frames[key], settings), settings, facts)
    rooms: dict[str, list[FrameKey]] = {}
    for key in observed:
        rooms.setdefault(key.room, []).append(key)
    solutions = nadir.solve(observed, JobFacts(rooms))
    for case in cases:
        facts = observed[case.key].facts
        first, last = nadir.span(facts, settings)
        near = {}
        for key in solutions[case.key].neighbours:
            assert case.neighbour is not None
            near[key] = Band(_whole(case.neighbour)[first:last], first, observed[key].facts)
        before = _whole(case.seen)[first:last]
        band = Band(before.copy(), first, facts)
        began = time.process_time()
        prepared = nadir.prepare(StageContext(frames[case.key], solutions[case.key].data, {}, near), settings)
        applied = nadir.apply(band, settings, prepared.data)
        seconds = time.process_time() - began
        truth = _whole(replace(case.seen, rows=case.seen.bare))[first:last]
        yield case, *_row(case, before, applied, truth, first, seconds, options)


def _row(case, before, applied, truth, first, seconds, options):
    view = straight_down(2 * int(VIEW_REACH * frame_focal_px(options.width)), frame_focal_px(options.width))
    draw = lambda rows: view_from_frame(rows, first, view)  # noqa: E731
    changed = (before != applied.rows).any(-1)
    mask = draw(changed.astype(np.float32)) > 0.5
    seen, ours, bare = _coded(draw(before)), _coded(draw(applied.rows)), _coded(draw(truth))
    inpainted = [
        cv2.inpaint(np.round(seen * 255).astype(np.uint8), mask.astype(np.uint8) * 255, 5, method)
        / np.float32(255)
        for method in (cv2.INPAINT_TELEA, cv2.INPAINT_NS)
    ]
    scores = [(_psnr(shown, bare, mask), _ssim(shown, bare, mask)) for shown in (ours, *inpainted)]
    missed, taken, faint = _mask_errors(case.seen, changed, first)
    gain = scores[0][0] - max(scores[1][0], scores[2][0])
    numbers = " | ".join(f"{psnr:8.2f} {ssim:.3f}"[:14].rjust(13) for psnr, ssim in scores)
    mark = "*" if case.name in HELD_OUT else " "
    name = f"{case.name + mark:16s} {_foot_of(case):4.0f} | {numbers} | {gain:+7.2f}"
    cover = f"{missed:5.2%} {taken:5.0%} ({faint:5.2%})"
    grain = f"{_grain_ratio(ours, mask):.2f} ({_grain_ratio(bare, mask):.2f})"
    variance = f"{_variance_ratio(ours, mask):.2f} ({_variance_ratio(bare, mask):.2f})"
    step = f"{_step_ratio(ours, mask):.2f} ({_step_ratio(bare, mask):.2f})"
    row = f"{name} | {cover} | {step}  {grain}  {variance} | {seconds:5.2f}  {applied.notes['fill_method']}"
    best = inpainted[0] if scores[1][0] > scores[2][0] else inpainted[1]
    return row, _sheet(seen, ours, bare, best, mask)


def _foot_of(case: Case) -> float:
    rows = np.flatnonzero(case.seen.foot.mean(1) > 0.5)
    return 180 * (case.seen.foot.shape[0] - rows[0]) / (case.seen.foot.shape[1] / 2) if rows.size else 0.0


def _coded(linear: Picture) -> Picture:
    return np.asarray(srgb_encode(np.clip(linear @ SRGB_FROM_WORKING.T, 0, 1)), np.float32)


def _psnr(shown: Picture, truth: Picture, mask: Mask) -> float:
    return float(-10 * np.log10(np.square(shown - truth)[mask].mean()))


def _ssim(shown: Picture, truth: Picture, mask: Mask) -> float:
    rows, columns = np.flatnonzero(mask.any(1)), np.flatnonzero(mask.any(0))
    box = np.s_[rows[0] - 8 : rows[-1] + 9, columns[0] - 8 : columns[-1] + 9]
    # The settings of Wang et al. 2004, as scikit-image documents them.
    _, local = structural_similarity(
        shown[box],
        truth[box],
        gaussian_weights=True,
        sigma=1.5,
        use_sample_covariance=False,
        data_range=1.0,
        channel_axis=2,
        full=True,
    )
    return float(local[mask[box]].mean())


def _mask_errors(seen: Seen, changed: Mask, first: int) -> tuple[float, float, float]:
    """Share of foot and shadow not covered, floor covered over their area, and share not covered with
    shadow from 3 % of the light on, all by solid angle."""
    changed = changed[seen.first - first :] if seen.first >= first else changed
    true = (seen.foot | seen.shadow)[-changed.shape[0] :]
    height = changed.shape[1] // 2
    weight = np.sin(np.pi / height * (changed.shape[0] - np.arange(changed.shape[0]) - 0.5))[:, None]
    wide = true | seen.faint[-changed.shape[0] :]
    area = (weight * true).sum()
    missed, taken = (weight * (true & ~changed)).sum() / area, (weight * (changed & ~true)).sum() / area
    return float(missed), float(taken), float((weight * (wide & ~changed)).sum() / (weight * wide).sum())


def _luma(coded: Picture) -> Picture:
    return coded @ np.array((0.2126, 0.7152, 0.0722), np.float32)


def _step_ratio(shown: Picture, mask: Mask) -> float:
    """Mean step between neighbouring pixels over the mask's edge against that of the floor outside."""
    luma = _luma(shown)
    across, down = np.abs(np.diff(luma, axis=1)), np.abs(np.diff(luma, axis=0))
    over = np.concatenate([across[mask[:, 1:] != mask[:, :-1]], down[mask[1:] != mask[:-1]]])
    ring = _dilated(mask, 60) & ~_dilated(mask, 6)
    elsewhere = np.concatenate([across[ring[:, 1:] & ring[:, :-1]], down[ring[1:] & ring[:-1]]])
    return float(over.mean() / elsewhere.mean())


def _dilated(mask: Mask, reach: int) -> Mask:
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    return cv2.dilate(mask.astype(np.uint8), kernel).astype(bool)


def _grain_ratio(shown: Picture, mask: Mask) -> float:
    """Standard deviation of the finest detail inside against a ring outside, robust against joints."""
    luma = _luma(shown)
    fine = luma - cv2.GaussianBlur(luma, (0, 0), 1.0)
    inside, ring = ~_dilated(~mask, 6), _dilated(mask, 60) & ~_dilated(mask, 6)
    return float(np.median(np.abs(fine[inside])) / np.median(np.abs(fine[ring])))


def _variance_ratio(shown: Picture, mask: Mask) -> float:
    """Variance of the floor without its shade inside against a ring outside.

    A smear has next to none and so comes closest to any one random floor in the mean square: an independent
    sample of the same floor, which is what it must look like, differs by twice the variance, 3 dB.
    """
    luma = _luma(shown)
    detail = luma - cv2.GaussianBlur(luma, (0, 0), 40)
    inside, ring = ~_dilated(~mask, 6), _dilated(mask, 120) & ~_dilated(mask, 6)
    return float(detail[inside].var() / detail[ring].var())


def _sheet(seen: Picture, ours: Picture, bare: Picture, smeared: Picture, mask: Mask) -> NDArray[np.uint8]:
    rows, columns = np.flatnonzero(mask.any(1)), np.flatnonzero(mask.any(0))
    middle = (rows[0] + rows[-1]) // 2, (columns[0] + columns[-1]) // 2
    reach = min(int(0.75 * max(np.ptp(rows), np.ptp(columns))), *middle, mask.shape[0] - max(middle))
    box = np.s_[middle[0] - reach : middle[0] + reach, middle[1] - reach : middle[1] + reach]
    side_by_side = np.concatenate([seen[box], ours[box], bare[box], smeared[box]], axis=1)
    return np.round(np.clip(side_by_side, 0, 1) * 255).astype(np.uint8)


def _write_sheet(path: Path, sheets: list[NDArray[np.uint8]]) -> None:
    width = max(sheet.shape[1] for sheet in sheets)
    padded = [np.pad(sheet, ((0, 6), (0, width - sheet.shape[1]), (0, 0))) for sheet in sheets]
    cv2.imwrite(str(path), np.concatenate(padded)[..., ::-1])


if __name__ == "__main__":
    main()
