"""Check of the rebuilt floor: whether what was put under the camera shows, and what to set if it does."""

from __future__ import annotations

from panopipe.review.case import Case, change, in_finished, in_force, noted, number, set_command
from panopipe.review.finding import Finding, excess
from panopipe.review.references import (
    FILL,
    FILL_METHOD,
    FLAW,
    FLAW_PITCH,
    FLAW_PLACE,
    FLAW_SIZE,
    FLAW_YAW,
    FOOT_PICTURE,
    MARGIN,
)

BAR = 1.0
"""Size of a flaw from which it is one; the stage sets the scale by whole floors."""
_WIDER_DEG = 1.5
_SAID = {
    "pattern": "a piece that fits nowhere into the pattern of the floor",
    "joint": "a joint that is broken off or moved aside",
    "dark spot": "a dark spot, as of a shadow or of the foot's rim",
    "line": "a straight dark line that ends at the foot, as of the pole's shadow",
    "blur": "a spot smoother than the floor around it",
}


def patch(case: Case) -> Finding:
    """Whether the rebuilt floor shows anything that floor does not."""
    size, how = number(case.record, FLAW_SIZE), noted(case.record, FILL_METHOD)
    if size is None:
        say = f"Nothing to judge: {how}." if how else "The nadir was left alone."
        return Finding("patch", "Rebuilt floor", sentence=say)
    if size < BAR:
        return Finding(
            "patch",
            "Rebuilt floor",
            size,
            BAR,
            "times what whole floors show",
            sentence=f"Filled from: {how}.",
        )
    kind, beside = str(noted(case.record, FLAW)), noted(case.record, FLAW_PLACE) == "beside"
    where = "beside the rebuilt floor" if beside else "in the rebuilt floor"
    remedy, command = _remedy(case, kind, beside=beside)
    yaw = number(case.record, FLAW_YAW) or 0.0
    return Finding(
        "patch", "Rebuilt floor", size, BAR, "times what whole floors show", True,
        f"Under the camera, {where}, lies {_SAID.get(kind, kind)}.",
        remedy, command, excess(size, BAR),
        look=(in_finished(case.record, yaw), number(case.record, FLAW_PITCH) or -90.0),
    )  # fmt: skip


def _remedy(case: Case, kind: str, *, beside: bool) -> tuple[str, tuple[str, ...]]:
    """What to set, and the command."""
    if kind == "line":
        return (
            "The sphere opens there. If it is a shadow, paint foot and shadow white on black, seen straight "
            "down, save it as foot.png in the job folder, and set foot_picture.",
            set_command(case.record.key, FOOT_PICTURE, "foot.png"),
        )
    if beside or kind == "dark spot":
        wider = in_force(case.record, MARGIN) + _WIDER_DEG
        return (
            "The sphere opens there. If some of the foot or its shadow is left, cover more (margin_deg).",
            change(case, MARGIN, wider),
        )
    return (
        "The sphere opens there. If it shows, put a soft blur there instead (fill), or your own round "
        "picture (patch_picture).",
        set_command(case.record.key, FILL, "soft"),
    )
