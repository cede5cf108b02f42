"""What was done to a picture, in words for somebody who was not there: from what the run noted of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from panopipe.job.model import TAKES, Group
from panopipe.registry import loaded_stage
from panopipe.review.case import in_force, noted, number
from panopipe.review.references import (
    CLIPPED_SHARE,
    EVENED,
    EXPOSURE,
    FILL_METHOD,
    HIGHLIGHTS,
    LEVELLED,
    MERGED,
    POLE_SHADOWS,
    SHADOWS,
    TURNED,
    WHITE_BY_HAND,
)
from panopipe.state.record import FrameRecord

_LEAST_SHARE_PERCENT = 0.01
"""Clipped light below this share of the sphere is a glint or two, and no word."""


@dataclass(frozen=True, slots=True)
class Doing:
    """What one stage did.

    Attributes
    ----------
    always : str
        What it does to every picture, told once for all of them; empty if nothing that is worth a word.
    here : str
        What it did to this one; empty if nothing beyond that.
    """

    always: str = ""
    here: str = ""


def doings(record: FrameRecord) -> list[Doing]:
    """What each stage did to a frame, in order; stages that were switched off did nothing."""
    stages = [stage for stage in record.order if _is_in_use(record, stage)]
    return [_WORDS.get(stage, _of_stranger(stage))(record) for stage in stages]


def made_from(record: FrameRecord, groups: Sequence[Group] = ()) -> str:
    """What a picture was made from, where that is more than one file; empty if it is one.

    What was found on a take stays with the photographer: it may be a person.
    """
    group = next((one for one in groups if set(one.used) == set(record.originals)), None)
    if group and group.kind == TAKES:
        unsure = " Which of them is best was unsure." if group.doubt else ""
        return f"Chosen from {len(group.files)} takes of one place.{unsure}"
    count = len(record.originals)
    if count < 2:
        return ""
    what = "exposures of one place, merged" if noted(record, MERGED) else "files of one place"
    return f"Made from {count} {what}."


def _is_in_use(record: FrameRecord, stage: str) -> bool:
    use = record.settings.get(stage, {}).get("use")
    return use is None or use.value is not False


def _decoded(record: FrameRecord) -> Doing:
    share = number(record, CLIPPED_SHARE) or 0.0
    rebuilt = f"Light too bright for the camera was rebuilt ({share:.2g} % of the sphere)."
    return Doing("Developed from the camera's file.", rebuilt if share >= _LEAST_SHARE_PERCENT else "")


def _evened(record: FrameRecord) -> Doing:
    mired = number(record, EVENED) or 0.0
    return Doing(here=f"Lamplight and daylight were evened ({mired:.0f} mired apart)." if mired >= 1 else "")


def _toned(record: FrameRecord) -> Doing:
    moves = [
        f"{words} {value:+.1f} EV"
        for words, setting in (("all", EXPOSURE), ("bright parts", HIGHLIGHTS), ("dark parts", SHADOWS))
        if abs(value := in_force(record, setting)) >= 0.05
    ]
    said = f"Brightness: {', '.join(moves)}.".replace("-", "\N{MINUS SIGN}") if moves else ""
    return Doing("Brightness and contrast were fitted to what a screen shows.", said)


def _balanced(record: FrameRecord) -> Doing:
    by_hand = "Its white was set by hand." if noted(record, WHITE_BY_HAND) == "yes" else ""
    return Doing("White was balanced over all rooms.", by_hand)


_FLOORS = {
    "floor": "The floor under the camera was rebuilt from the floor around it.",
    "soft": "A soft blur was put under the camera.",
    "shadow only": "Floor was rebuilt over the shadow of the support.",
    "picture": "A round picture was put under the camera.",
    "left as it is": "The floor under the camera was left as it was.",
    "nothing found": "Nothing stood under the camera; the floor was left as it was.",
}
_SEEN_FROM = "seen from "


def _floored(record: FrameRecord) -> Doing:
    how = str(noted(record, FILL_METHOD) or "")
    said = _FLOORS.get(how, f"Under the camera: {how}." if how else "")
    if how.startswith(_SEEN_FROM):
        said = f"The floor under the camera was taken from {how.removeprefix(_SEEN_FROM)}, which shows it."
    shadows = int(number(record, POLE_SHADOWS) or 0)
    shadow = " The support's shadow was taken away." if shadows else ""
    return Doing(here=said + shadow)


def _levelled(record: FrameRecord) -> Doing:
    lean_deg = number(record, LEVELLED) or 0.0
    return Doing(here=f"Turned upright by {lean_deg:.1f} degrees." if lean_deg else "")


def _turned(record: FrameRecord) -> Doing:
    turned_deg = number(record, TURNED) or 0.0
    return Doing(here=f"Turned by {turned_deg:.0f} degrees to face as all others." if turned_deg else "")


_WORDS: Mapping[str, Callable[[FrameRecord], Doing]] = {
    "decode": _decoded,
    "denoise": lambda _: Doing("Noise of the camera was taken out."),
    "light": _evened,
    "tone": _toned,
    "vibrance": lambda _: Doing("Dull colours gained a little strength."),
    "balance": _balanced,
    "nadir": _floored,
    "level": _levelled,
    "north": _turned,
    "sharpen": lambda _: Doing("Edges were sharpened as far as they were soft."),
    "export": lambda _: Doing("Saved as JPEG (sRGB)."),
}


def _of_stranger(name: str) -> Callable[[FrameRecord], Doing]:
    """What a stage of another package says that it does."""
    try:
        summary = loaded_stage(name).summary
    except (KeyError, ImportError):
        summary = "is not installed any longer"
    return lambda _: Doing(f"Stage {name}: {summary}.")
