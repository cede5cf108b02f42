"""Checks of form: seam, poles, horizon, sharpness, size, doubles.

A bar is where a person should look, not where a picture is wrong. Each is common practice, no source; they
are set so that a clean job raises none.
"""

from __future__ import annotations

import math
from statistics import median

from panopipe.review.case import Case, change, in_file, in_force, noted, run_command, set_command
from panopipe.review.finding import Finding, excess
from panopipe.review.references import (
    LEVELLED,
    MARGIN,
    TILT,
    TILT_TOWARD,
    WIDTHS,
)

SEAM_BAR_CODES = 2.0
POLE_BAR_CODES = 6.0
TILT_BAR_DEG = 0.7
BLUR_BAR_RATIO = 1.5


def seam(case: Case) -> Finding:
    """Step where left meets right."""
    step, usual = case.measures.seam_codes, case.measures.seam_usual_codes
    crossed = step > max(SEAM_BAR_CODES, usual)
    bar = max(SEAM_BAR_CODES, usual)
    if not crossed:
        return Finding(
            "seam", "Seam", step, bar, "codes of 255",
            sentence="Left meets right without a step beyond those elsewhere in the picture.",
        )  # fmt: skip
    return Finding(
        "seam", "Seam", step, bar, "codes of 255", True,
        f"A step of {step:.1f} codes runs down the seam where left meets right.",
        "Look at it (key S in the sphere). If it is in the original too, stitch this frame again and run the "
        "job with the new original; if not, switch stages off one by one to find the one that makes it.",
        doubt=excess(step, bar),
        look=(180.0, 0.0),
    )  # fmt: skip


def pole(case: Case, *, up: bool) -> Finding:
    """Pinch at the zenith or the nadir."""
    measures = case.measures
    pinch = measures.zenith_codes if up else measures.nadir_codes
    usual = measures.zenith_usual_codes if up else measures.nadir_usual_codes
    bar = max(POLE_BAR_CODES, 1.5 * usual)
    name, where, title = ("zenith", "straight up", "Zenith") if up else ("nadir", "straight down", "Nadir")
    if pinch <= bar:
        return Finding(name, title, pinch, bar, "codes of 255", sentence=f"The picture closes {where}.")
    key, larger = ("U", "") if up else ("D", "A wider margin around the foot may cover it. ")
    margin_deg = in_force(case.record, MARGIN)
    return Finding(
        name, title, pinch, bar, "codes of 255", True,
        f"The picture is pinched or broken {where}.",
        f"Look at it (key {key} in the sphere). {larger}A star in the original comes from the stitcher: "
        "stitch this frame again and run the job with the new original.",
        () if up else change(case, MARGIN, margin_deg + 1),
        excess(pinch, bar),
        look=(0.0, 90.0 if up else -90.0),
    )  # fmt: skip


def tilt(case: Case) -> Finding:
    """Leaning horizon."""
    lean, error = case.measures.tilt_deg, case.measures.tilt_error_deg
    if lean is None or error is None:
        return Finding(
            "tilt", "Horizon", None, TILT_BAR_DEG, "degrees",
            sentence="Too few upright edges to tell whether the frame is level.",
        )  # fmt: skip
    if lean <= TILT_BAR_DEG:
        return Finding(
            "tilt", "Horizon", lean, TILT_BAR_DEG, "degrees",
            sentence=f"Level to within {max(0.1, math.ceil(10 * max(lean, error)) / 10):.1f} degrees.",
        )  # fmt: skip
    toward = in_file(case.record, case.measures.tilt_yaw_deg or 0.0)
    by_hand = TILT.stage in case.record.order and noted(case.record, LEVELLED) is None
    remedy = (
        "Set this tilt by hand, or 0 if these edges slant by design."
        if by_hand
        else "Level it where it was stitched, and run the job with the new original."
    )
    return Finding(
        "tilt", "Horizon", lean, TILT_BAR_DEG, "degrees", True,
        f"The frame leans by {lean:.1f} degrees: its upright edges meet that far from the zenith, toward yaw "
        f"{toward:.0f}.",
        remedy,
        (*change(case, TILT, round(lean, 2)), f"{TILT_TOWARD}={toward:.0f}")
        if by_hand
        else (),
        excess(lean, TILT_BAR_DEG),
    )  # fmt: skip


def blur(case: Case) -> Finding:
    """Soft edges against the siblings."""
    width = case.measures.edge_width_px
    share = case.measures.measured_width
    # One lens shot the whole job: compare with all frames, in equal angles; a smaller frame holds no edge
    # narrower than its own pixels let it, which its size says already.
    others = [
        measures.edge_width_px * max(share / measures.measured_width, 1)
        for key, measures in case.job.items()
        if key != case.record.key and measures.edge_width_px > 0
    ]
    if width == 0 or len(others) < 2:
        return Finding(
            "blur", "Sharpness", None, None, "",
            sentence="Too few hard edges, or too few frames, to compare its sharpness.",
        )  # fmt: skip
    ratio = width / median(others)
    if ratio <= BLUR_BAR_RATIO:
        return Finding(
            "blur", "Sharpness", ratio, BLUR_BAR_RATIO, "times the usual edge width",
            sentence="As sharp as its siblings.",
        )  # fmt: skip
    return Finding(
        "blur", "Sharpness", ratio, BLUR_BAR_RATIO, "times the usual edge width", True,
        f"Its sharpest edges are {ratio:.1f} times as wide as those of its siblings: shaken or out of focus.",
        "No setting brings this back. Look at it close up; shoot the position again if it matters.",
        (), excess(ratio, BLUR_BAR_RATIO),
    )  # fmt: skip


def shape(case: Case) -> Finding:
    """Size and ratio of the file."""
    width, height = case.measures.width, case.measures.height
    sizes = [(measures.width, measures.height) for measures in case.job.values()]
    usual = max(set(sizes), key=lambda size: (sizes.count(size), size))
    if width != 2 * height:
        return Finding(
            "shape", "Size", width / height, 2.0, "width to height", True,
            f"{width} x {height} is not 2:1: viewers will not take it for a whole sphere.",
            "It was changed after it was finished: delete it, then run the frame again.",
            run_command(case.record.key), 50.0,
        )  # fmt: skip
    if (width, height) != usual and 2 * sizes.count(usual) > len(sizes):
        return Finding(
            "shape", "Size", float(width), float(usual[0]), "pixels wide", True,
            f"{width} pixels wide, where most of the job is {usual[0]}.",
            "If that was not meant, export it at the same width."
            if width > usual[0]
            else "If that was not meant, look at the camera's setting for this frame.",
            _export_at(case, usual[0]) if width > usual[0] else (), 1.2,
        )  # fmt: skip
    enlarged = width / case.record.width if case.record.width else 1.0
    more = f" Enlarged {enlarged:.3g} times: it holds no more detail than the file." if enlarged > 1 else ""
    return Finding(
        "shape", "Size", float(width), None, "pixels wide", sentence=f"{width} x {height}, as the job.{more}"
    )


def _export_at(case: Case, width: int) -> tuple[str, ...]:
    known = WIDTHS.key in case.record.settings.get(WIDTHS.stage, {})
    return set_command(case.record.key, WIDTHS, f"[{width}]") if known else ()


def double(case: Case) -> Finding:
    """The same place twice."""
    if case.double_of is None:
        return Finding("double", "Doubles", sentence="No other frame shows the same.")
    return Finding(
        "double", "Doubles", 100 * case.likeness, 99.5, "% alike", True,
        f"It shows the same as {case.double_of}.",
        "Keep one of the two originals in the job folder.",
        (), 2.0,
    )  # fmt: skip
