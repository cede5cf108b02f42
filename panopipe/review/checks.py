"""The table of checks: each gives a number, a bar, a plain sentence and what to do."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from panopipe.review.case import Case
from panopipe.review.finding import Finding
from panopipe.review.floor import patch
from panopipe.review.form import blur, double, pole, seam, shape, tilt
from panopipe.review.light import cast, clipped, crushed, exposure, grain
from panopipe.review.merged import moved


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
        for stage, sentences in case.record.review_reasons.items()
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
    moved,
)


def findings(case: Case) -> tuple[Finding, ...]:
    """All findings on one finished frame, the gravest first, then in the order of the table."""
    judged = [check(case) for check in CHECKS] + stage_words(case)
    return tuple(sorted(judged, key=lambda finding: -finding.doubt))
