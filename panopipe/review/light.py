"""Checks of light and colour: blank white, solid black, brightness, colour cast, grain.

A bar is where a person should look, not where a picture is wrong. Each is common practice, no source, unless
a line says otherwise; they are set so that a clean job raises none.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from panopipe.review.case import Case, change, in_force, number
from panopipe.review.finding import Finding, excess
from panopipe.review.references import (
    EXPOSURE,
    HIGHLIGHTS,
    KELVIN,
    LIGHT_KELVIN,
    OPEN_SKY,
    SHADOWS,
    SettingName,
)

CLIPPED_BAR = 0.02
CRUSHED_BAR = 0.02
EXPOSURE_BAR_EV = 1.0
HOUSE_BAR_EV = 1.5
"""Rooms of one house differ by nature, tiles from dark wood by about one EV, so that this bar is wider."""
HOUSE_FRAMES = 4
"""Fewest other frames whose middle stands for a house."""
CAST_BAR = 6.0
"""CIE C*ab of what should be white. Differences of 3.5 to 5 are clear to anyone (Mokrzycki & Tatol 2011);
the bar leaves room for paint that is not quite white."""
OPEN_SKY_BAR = 0.5
"""Balance notes from 0 to 1 how much a frame looks like open sky."""
GRAIN_BAR_CODES = 5.0
GRAIN_BAR_RATIO = 2.0


def _percent(share: float) -> str:
    return f"{100 * share:.2g} %" if share < 0.1 else f"{100 * share:.0f} %"


@dataclass(frozen=True, slots=True)
class _End:
    """One end of the scale, where a picture shows nothing; what of tone, by how many EV, brings some back."""

    name: str
    colour: str
    bar: float
    meaning: str
    remedy: str
    setting: SettingName
    by: float


_WHITE = _End(
    "clipped", "blank white", CLIPPED_BAR, "windows or lamps have lost what they showed",
    "Bring the highlights down. If they stay blank, the exposure itself was clipped and only a darker "
    "exposure of this position helps.",
    HIGHLIGHTS, -1.0,
)  # fmt: skip
_BLACK = _End(
    "crushed", "solid black", CRUSHED_BAR, "corners show nothing", "Raise the shadows.", SHADOWS, 1.0
)


def clipped(case: Case) -> Finding:
    """Blank white."""
    return _lost(case, case.measures.clipped_share, _WHITE)


def crushed(case: Case) -> Finding:
    """Solid black."""
    return _lost(case, case.measures.crushed_share, _BLACK)


def _lost(case: Case, share: float, end: _End) -> Finding:
    """Share of the sphere that lies at one end of the scale."""
    title, size, bar = end.colour.capitalize(), 100 * share, 100 * end.bar
    say = f"{_percent(share)} of the sphere is {end.colour}" if share >= 5e-5 else f"Nothing is {end.colour}"
    if share <= end.bar:
        return Finding(end.name, title, size, bar, "% of the sphere", sentence=f"{say}.")
    helps = round(in_force(case.record, end.setting) + end.by, 2)
    return Finding(
        end.name, title, size, bar, "% of the sphere", True, f"{say}: {end.meaning}.", end.remedy,
        change(case, end.setting, helps), excess(share, end.bar),
    )  # fmt: skip


def exposure(case: Case) -> Finding:
    """Brightness against the room; of a frame that is alone in its room, against the house."""
    title = "Brightness"
    group = _compared(case)
    if group is None:
        return Finding(
            "exposure", title, None, EXPOSURE_BAR_EV, "EV from its room",
            sentence="There are too few other frames to compare its brightness.",
        )  # fmt: skip
    off, bar, unit = (
        case.measures.exposure_ev - median(group.others),
        group.bar_ev,
        f"EV from its {group.name}",
    )
    if abs(off) <= bar:
        return Finding(
            "exposure", title, off, bar, unit, sentence=f"As bright as its {group.name} ({off:+.1f} EV)."
        )
    now = in_force(case.record, EXPOSURE)
    return Finding(
        "exposure", title, off, bar, unit, True,
        f"{abs(off):.1f} EV {'brighter' if off > 0 else 'darker'} than the other frames of its {group.name}.",
        group.remedy, change(case, EXPOSURE, round(now - off, 1)), excess(abs(off), bar),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Group:
    """What a frame's brightness is compared with."""

    name: str
    others: Sequence[float]
    bar_ev: float
    remedy: str


def _compared(case: Case) -> _Group | None:
    """The room where it has two frames more, else the house; None where there is too little of either."""
    room, job = (
        [measures.exposure_ev for key, measures in group.items() if key != case.record.key]
        for group in (case.room, case.job)
    )
    if len(room) >= 2:
        return _Group("room", room, EXPOSURE_BAR_EV, "Set its exposure by hand.")
    if len(job) >= HOUSE_FRAMES and not _outdoors(case):
        remedy = "If the room is that by nature, leave it. Otherwise set its exposure by hand."
        return _Group("house", job, HOUSE_BAR_EV, remedy)
    return None


def cast(case: Case) -> Finding:
    """Colour left on white."""
    a, b = case.measures.cast_a, case.measures.cast_b
    outdoors = _outdoors(case)
    if a is None or b is None or outdoors:
        why = (
            "under open sky, grass and stone colour" if outdoors else "nothing in it is light enough to judge"
        )
        return Finding(
            "cast", "Colour cast", None, CAST_BAR, "C*ab", sentence=f"Not judged: {why} the white."
        )
    size = math.hypot(a, b)
    if size <= CAST_BAR:
        return Finding(
            "cast", "Colour cast", size, CAST_BAR, "C*ab", sentence="What should be white is near white."
        )
    hue = _hue_word(a, b)
    return Finding(
        "cast", "Colour cast", size, CAST_BAR, "C*ab", True,
        f"Even the whitest surfaces are {hue} by {size:.0f} C*ab.",
        "If everything in the room really is that colour, leave it. Otherwise set the colour temperature of "
        "its light by hand, or point balance at something white (neutral_yaw_deg, neutral_pitch_deg).",
        _white_command(case), excess(size, CAST_BAR),
    )  # fmt: skip


def _white_command(case: Case) -> tuple[str, ...]:
    """Command that sets a colour temperature nearer to the light, if the stage noted the one it took."""
    a, b = case.measures.cast_a or 0.0, case.measures.cast_b or 0.0
    if abs(a) > abs(b):  # red and green lie across the line of lamps: no temperature takes them out
        return ()
    kelvin = in_force(case.record, KELVIN) or number(case.record, LIGHT_KELVIN) or 0.0
    if not 1500 < kelvin < 20000:
        return ()
    # One mired is about 0.38 delta E 2000 on a light grey (by the CIE formulas), most of it along b*.
    mired = min(1e6 / 1500, max(1e6 / 20000, 1e6 / kelvin + b / 0.38))
    return change(case, KELVIN, round(1e6 / mired, -1))


def _outdoors(case: Case) -> bool:
    """Whether the balance stage took the frame for one under open sky."""
    return (number(case.record, OPEN_SKY) or 0.0) > OPEN_SKY_BAR


def _hue_word(a: float, b: float) -> str:
    """The colour of a cast in a word."""
    words = ("red", "orange", "yellow", "green", "green", "blue", "blue", "magenta")
    return words[round(math.degrees(math.atan2(b, a)) / 45) % 8]


def grain(case: Case) -> Finding:
    """Noise against the siblings."""
    codes = case.measures.grain_codes
    others = [codes for codes in case.siblings(lambda codes: codes.grain_codes) if codes is not None]
    if codes is None:
        return Finding("grain", "Grain", None, None, "", sentence="Not judged: its texture hides any grain.")
    bar = GRAIN_BAR_CODES
    if others:
        bar = min(bar, max(2.0, GRAIN_BAR_RATIO * median(others)))
    if codes <= bar:
        return Finding(
            "grain", "Grain", codes, bar, "codes of 255", sentence="No more grain than its siblings."
        )
    return Finding(
        "grain", "Grain", codes, bar, "codes of 255", True,
        f"Grain of {codes:.1f} codes on flat surfaces, more than its siblings show.",
        "Raising dark shadows brings their noise up: take them down a little, or shoot the position longer.",
        change(case, SHADOWS, round(in_force(case.record, SHADOWS) - 1, 2)),
        excess(codes, bar),
    )  # fmt: skip
