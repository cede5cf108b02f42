"""The short table in the terminal that ends with what to do next."""

from __future__ import annotations

import textwrap
import unicodedata
from pathlib import Path

from panopipe.review.finding import FrameReview, JobReview
from panopipe.review.words import count, quoted


def terminal_table(review: JobReview, *, job: str, page: Path, width: int = 100) -> str:
    """Say in a few lines which frames want a hand and what to do next.

    Parameters
    ----------
    review : JobReview
        The findings.
    job : str
        The job folder as the user named it.
    page : Path
        Where the page lies.
    width : int
        Columns of the terminal.

    Returns
    -------
    str
        Lines joined by newlines, without one at the end. Control characters in names are shown as `?`.
    """
    lines = [_counts(review)]
    doubted = [frame for frame in review.by_doubt() if frame.state != "waiting"]
    if doubted or any(finding.is_open for finding in review.findings):
        lines.append("")
    room_for_name = max((len(_shown(str(frame.key))) for frame in doubted), default=0)
    room_for_name = min(max(room_for_name, 5), max(12, width // 3))
    for frame in doubted[:20]:
        lines += _frame_lines(frame, room_for_name, width)
    if len(doubted) > 20:
        lines.append(f"  and {len(doubted) - 20} more on the page")
    lines += [f"  {_shown(finding.sentence)}" for finding in review.findings if finding.is_open]
    lines += ["", *_next(review, job, page)]
    return "\n".join(lines)


def _counts(review: JobReview) -> str:
    parts = [f"{review.count('fine')} fine"]
    look, failed, waiting = (review.count(state) for state in ("look", "failed", "waiting"))
    if look:
        parts.append(f"{look} {'wants' if look == 1 else 'want'} a look")
    if failed:
        parts.append(f"{failed} failed")
    if waiting:
        parts.append(f"{waiting} not run yet")
    accepted = sum(len(frame.accepted) for frame in review.frames)
    said = f" ({count(accepted, 'doubt')} accepted)" if accepted else ""
    return f"{count(len(review.frames), 'frame')}: " + ", ".join(parts) + said


def _frame_lines(frame: FrameReview, room_for_name: int, width: int) -> list[str]:
    name = _shown(str(frame.key))
    name = name if len(name) <= room_for_name else name[: room_for_name - 1] + "…"
    room = max(width - room_for_name - 4, 20)
    says = [line for item in frame.crossed for line in textwrap.wrap(_shown(item.sentence), room)]
    if frame.state == "failed":
        says = [_shown(frame.fault)]  # on a line of its own: scripts look for it
    head, *more = says
    return [f"  {name:<{room_for_name}}  {head}"] + [f"  {'':<{room_for_name}}  {text}" for text in more]


def _next(review: JobReview, job: str, page: Path) -> list[str]:
    lines = [f"Next: open {_shown(str(page))}"]
    commands = [item.command for frame in review.by_doubt() for item in frame.crossed if item.command]
    if commands:
        lines.append(f"  or begin with: {_shown(quoted(commands[0], job))}")
        if commands[0][1] == "set":
            lines.append(f"  then: {quoted(('panopipe', 'run', 'JOB'), job)}")
    elif (
        review.count("failed")
        or review.count("waiting")
        or any(finding.command for finding in review.findings if finding.is_open)
    ):
        lines.append(f"  mend what is named above, then: {quoted(('panopipe', 'run', 'JOB'), job)}")
    if review.count("fine") == len(review.frames) and not any(finding.is_open for finding in review.findings):
        lines.append(f"  then hand it over: {_shown(quoted(('panopipe', 'deliver', 'JOB'), job))}")
    return lines


def _shown(text: str) -> str:
    """Text with nothing in it that a terminal would obey."""
    return "".join("?" if unicodedata.category(letter) in ("Cc", "Cf", "Cs") else letter for letter in text)
