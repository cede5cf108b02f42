"""Checks of light and colour: blank white, solid black, brightness, colour cast, grain.

A bar is where a person should look, not where a picture is wrong. Each is common practice, no source, unless
a line says otherwise; they are set so that a clean job raises none.
"""

from __future__ import annotations

import math
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
    """Brightness against the room."""
    others = [measures.exposure_ev for key, measures in case.room.items() if key != case.record.key]
    if len(others) < 2:
        return Finding(
            "exposure", "Brightness", None, EXPOSURE_BAR_EV, "EV from its room",
            sentence="Its room has too few other frames to compare its brightness.",
        )  # fmt: skip
    off = case.measures.exposure_ev - median(others)
    if abs(off) <= EXPOSURE_BAR_EV:
        return Finding(
            "exposure", "Brightness", off, EXPOSURE_BAR_EV, "EV from its room",
            sentence=f"As bright as its room ({off:+.1f} EV).",
        )  # fmt: skip
    now = in_force(case.record, EXPOSURE)
    return Finding(
        "exposure", "Brightness", off, EXPOSURE_BAR_EV, "EV from its room", True,
        f"{abs(off):.1f} EV {'brighter' if off > 0 else 'darker'} than the other frames of its room.",
        "Set its exposure by hand.",
        change(case, EXPOSURE, round(now - off, 1)),
        excess(abs(off), EXPOSURE_BAR_EV),
    )  # fmt: skip


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
