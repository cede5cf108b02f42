"""The checks of single frames: each gives a number, a bar, a plain sentence and what to do.

A bar is where a person should look, not where a picture is wrong. Each is common practice, no source,
unless a line says otherwise; they are set so that a clean job raises none.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import TypeVar

from panopipe.frame import FrameKey
from panopipe.review.finding import Finding, excess
from panopipe.review.measure import Measures
from panopipe.run.record import FrameRecord
from panopipe.setting import rules
from panopipe.stage import stage

T = TypeVar("T")

CLIPPED_BAR = 0.02
CRUSHED_BAR = 0.02
SEAM_BAR_CODES = 2.0
POLE_BAR_CODES = 6.0
TILT_BAR_DEG = 0.7
CAST_BAR = 6.0
"""CIE C*ab of what should be white. Differences of 3.5 to 5 are clear to anyone (Mokrzycki & Tatol 2011);
the bar leaves room for paint that is not quite white."""
OPEN_SKY = 0.5
"""Balance notes from 0 to 1 how much a frame looks like open sky."""
GRAIN_BAR_CODES = 5.0
GRAIN_BAR_RATIO = 2.0
BLUR_BAR_RATIO = 1.5
EXPOSURE_BAR_EV = 1.0


@dataclass(frozen=True, slots=True)
class Case:
    """One finished frame with its siblings, as a check sees it.

    Attributes
    ----------
    record : FrameRecord
        What the run left.
    measures : Measures
        What its picture measures.
    room : mapping of FrameKey to Measures
        Finished frames of the same room, this one included.
    job : mapping of FrameKey to Measures
        All finished frames.
    double_of : FrameKey or None
        An earlier frame that shows the same, if there is one.
    """

    record: FrameRecord
    measures: Measures
    room: Mapping[FrameKey, Measures]
    job: Mapping[FrameKey, Measures]
    double_of: FrameKey | None = None
    likeness: float = 0.0

    def siblings(self, read: Callable[[Measures], T], *, fewest: int = 2) -> list[T]:
        """What the other frames of the room measure; of the job, if the room has fewer than `fewest`."""
        for group in (self.room, self.job):
            found = [read(one) for key, one in group.items() if key != self.record.key]
            if len(found) >= fewest:
                return found
        return []


def set_command(key: FrameKey, setting: str, value: str) -> tuple[str, ...]:
    """Command that sets one value for one frame."""
    return ("panopipe", "set", "JOB", str(key), f"{setting}={value}")


def run_command(key: FrameKey) -> tuple[str, ...]:
    """Command that makes one frame again."""
    return ("panopipe", "run", "JOB", "--frame", str(key))


def _number(record: FrameRecord, stage: str, name: str) -> float | None:
    """A numeric note of a stage, or a numeric setting; None if there is no such number."""
    value = record.notes.get(stage, {}).get(name)
    return float(value) if isinstance(value, int | float) and math.isfinite(value) else None


def _in_force(record: FrameRecord, stage: str, name: str) -> float:
    """A numeric setting as it was in force; what the stage chose, where it was left to it; else 0."""
    effective = record.settings.get(stage, {}).get(name)
    if effective and isinstance(effective.value, int | float):
        return float(effective.value)
    return _number(record, stage, name) or 0.0


def _change(case: Case, setting: str, value: float) -> tuple[str, ...]:
    """Command that sets a number of a stage, held within the setting's own bounds."""
    name, _, key = setting.partition(".")
    try:
        rule = rules(stage(name).Settings)[key]
    except (KeyError, ImportError):  # another recipe, another stage of that name
        return ()
    low = rule.low if rule.low is not None else value
    high = rule.high if rule.high is not None else value
    return set_command(case.record.key, setting, f"{min(max(value, low), high):.4g}")


def _percent(share: float) -> str:
    return f"{100 * share:.2g} %" if share < 0.1 else f"{100 * share:.0f} %"


def clipped(case: Case) -> Finding:
    """Blank white."""
    share = case.measures.clipped_share
    crossed = share > CLIPPED_BAR
    say = f"{_percent(share)} of the sphere is blank white" if share >= 5e-5 else "Nothing is blank white"
    if not crossed:
        return Finding(
            "clipped", "Blank white", 100 * share, 100 * CLIPPED_BAR, "% of the sphere", sentence=say + "."
        )
    return Finding(
        "clipped", "Blank white", 100 * share, 100 * CLIPPED_BAR, "% of the sphere", True,
        f"{say}: windows or lamps have lost what they showed.",
        "Bring the highlights down. If they stay blank, the exposure itself was clipped and only a darker "
        "exposure of this position helps.",
        _change(case, "tone.highlights_ev", round(_in_force(case.record, "tone", "highlights_ev") - 1, 2)),
        excess(share, CLIPPED_BAR),
    )  # fmt: skip


def crushed(case: Case) -> Finding:
    """Solid black."""
    share = case.measures.crushed_share
    crossed = share > CRUSHED_BAR
    say = f"{_percent(share)} of the sphere is solid black" if share >= 5e-5 else "Nothing is solid black"
    if not crossed:
        return Finding(
            "crushed", "Solid black", 100 * share, 100 * CRUSHED_BAR, "% of the sphere", sentence=say + "."
        )
    return Finding(
        "crushed", "Solid black", 100 * share, 100 * CRUSHED_BAR, "% of the sphere", True,
        f"{say}: corners show nothing.",
        "Raise the shadows.",
        _change(case, "tone.shadows_ev", round(_in_force(case.record, "tone", "shadows_ev") + 1, 2)),
        excess(share, CRUSHED_BAR),
    )  # fmt: skip


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
        "Look at it (key S in the sphere). If it is in the original too, stitch this frame again; if not, "
        "switch the stages off one by one to find the one that makes it.",
        run_command(case.record.key),
        excess(step, bar),
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
    remedy = (
        "Look at it (key U in the sphere). A star in the original comes from the stitcher: stitch again."
        if up
        else "Look at it (key D in the sphere). A larger patch may cover it; a star in the original comes "
        "from the stitcher."
    )
    return Finding(
        name, title, pinch, bar, "codes of 255", True,
        f"The picture is pinched or broken {where}.", remedy, run_command(case.record.key),
        excess(pinch, bar),
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
    toward = case.measures.tilt_yaw_deg or 0.0
    by_hand = "level" in case.record.order and "levelled_deg" not in case.record.notes.get("level", {})
    remedy = (
        f"Set this tilt, and with it level.toward_yaw_deg={toward:.0f}."
        if by_hand
        else "Level it where it was stitched, put the new original in place, and run the frame again."
    )
    return Finding(
        "tilt", "Horizon", lean, TILT_BAR_DEG, "degrees", True,
        f"The frame leans by {lean:.1f} degrees: its upright edges meet that far from the zenith, toward yaw "
        f"{toward:.0f}.",
        remedy,
        _change(case, "level.tilt_deg", round(lean, 2)) if by_hand else run_command(case.record.key),
        excess(lean, TILT_BAR_DEG),
    )  # fmt: skip


def patch(case: Case) -> Finding:
    """How well the rebuilt floor continues the floor around it, as the nadir stage found."""
    agreement = _number(case.record, "nadir", "ring_agreement")
    how = case.record.notes.get("nadir", {}).get("fill_method", "")
    if agreement is None:
        say = f"Nothing to judge: {how}." if how else "The nadir was left alone."
        return Finding("patch", "Rebuilt floor", sentence=say)
    # The stage itself says when a person should look; here its figure stands beside the others.
    return Finding(
        "patch", "Rebuilt floor", 100 * agreement, None, "% like its surroundings",
        sentence=f"Filled from: {how}.",
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
    kelvin = (
        _in_force(case.record, "balance", "kelvin")
        or _number(case.record, "balance", "light_cct_kelvin")
        or 0.0
    )
    if not 1500 < kelvin < 20000:
        return ()
    # One mired is about 0.38 delta E 2000 on a light grey (by the CIE formulas), most of it along b*.
    mired = min(1e6 / 1500, max(1e6 / 20000, 1e6 / kelvin + b / 0.38))
    return _change(case, "balance.kelvin", round(1e6 / mired, -1))


def _outdoors(case: Case) -> bool:
    """Whether the balance stage took the frame for one under open sky."""
    return (_number(case.record, "balance", "open_sky") or 0.0) > OPEN_SKY


def _hue_word(a: float, b: float) -> str:
    """The colour of a cast in a word."""
    words = ("red", "orange", "yellow", "green", "green", "blue", "blue", "magenta")
    return words[round(math.degrees(math.atan2(b, a)) / 45) % 8]


def grain(case: Case) -> Finding:
    """Noise against the siblings."""
    codes = case.measures.grain_codes
    others = [one for one in case.siblings(lambda one: one.grain_codes) if one is not None]
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
        _change(case, "tone.shadows_ev", round(_in_force(case.record, "tone", "shadows_ev") - 1, 2)),
        excess(codes, bar),
    )  # fmt: skip


def blur(case: Case) -> Finding:
    """Soft edges against the siblings."""
    width = case.measures.edge_width_px
    share = case.measures.measured_width
    # One lens shot the whole job: compare with all frames, in equal angles.
    others = [
        one.edge_width_px * share / one.measured_width
        for key, one in case.job.items()
        if key != case.record.key and one.edge_width_px > 0
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


def exposure(case: Case) -> Finding:
    """Brightness against the room."""
    others = [one.exposure_ev for key, one in case.room.items() if key != case.record.key]
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
    now = _in_force(case.record, "tone", "exposure_ev")
    return Finding(
        "exposure", "Brightness", off, EXPOSURE_BAR_EV, "EV from its room", True,
        f"{abs(off):.1f} EV {'brighter' if off > 0 else 'darker'} than the other frames of its room.",
        "Set its exposure by hand.",
        _change(case, "tone.exposure_ev", round(now - off, 1)),
        excess(abs(off), EXPOSURE_BAR_EV),
    )  # fmt: skip


def shape(case: Case) -> Finding:
    """Size and ratio of the file."""
    width, height = case.measures.width, case.measures.height
    sizes = [(one.width, one.height) for one in case.job.values()]
    usual = max(set(sizes), key=lambda size: (sizes.count(size), size))
    if width != 2 * height:
        return Finding(
            "shape", "Size", width / height, 2.0, "width to height", True,
            f"{width} x {height} is not 2:1: viewers will not take it for a whole sphere.",
            "Run the frame again; if it stays so, the original is not a whole sphere.",
            run_command(case.record.key), 50.0,
        )  # fmt: skip
    if (width, height) != usual and 2 * sizes.count(usual) > len(sizes):
        return Finding(
            "shape", "Size", float(width), float(usual[0]), "pixels wide", True,
            f"{width} pixels wide, where most of the job is {usual[0]}.",
            "If that was not meant, look at the camera's setting for this frame, or set the exported width.",
            run_command(case.record.key), 1.2,
        )  # fmt: skip
    return Finding(
        "shape", "Size", float(width), None, "pixels wide", sentence=f"{width} x {height}, as the job."
    )


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


def _as_sentence(words: str) -> str:
    """The words with a capital and a full stop, whoever wrote the stage."""
    words = words.strip()
    return words[:1].upper() + words[1:] + ("" if words.endswith((".", "!", "?")) else ".")


def stage_words(case: Case) -> list[Finding]:
    """What the stages themselves wanted a person to look at."""
    return [
        Finding(
            f"stage-{stage}", f"Stage {stage}", crossed=True, sentence=_as_sentence(sentence), doubt=1.5,
            remedy=f"Open the frame: the settings of {stage} are listed there, each with its command.",
        )
        for stage, sentences in case.record.wants_look.items()
        for sentence in sentences
    ]  # fmt: skip


CHECKS: Sequence[Callable[[Case], Finding]] = (
    clipped,
    crushed,
    exposure,
    lambda case: pole(case, up=True),
    lambda case: pole(case, up=False),
    seam,
    cast,
    tilt,
    patch,
    blur,
    grain,
    shape,
    double,
)


def findings(case: Case) -> tuple[Finding, ...]:
    """All findings on one finished frame, the gravest first, then in the order of the table."""
    found = [check(case) for check in CHECKS] + stage_words(case)
    return tuple(sorted(found, key=lambda one: -one.doubt))
