"""After the night: accept what was looked at, and hand the pictures over."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from panopipe.cli.errors import told
from panopipe.cli.options import AsJson, Debug, JobFolder
from panopipe.cli.output import print_json
from panopipe.errors import printable

if TYPE_CHECKING:
    from panopipe.review.finding import Finding, JobReview


def accept(
    folder: JobFolder,
    where: Annotated[
        str | None,
        typer.Argument(
            metavar="[ROOM/FRAME]", help='The frame, or "job" for what concerns none.', show_default=False
        ),
    ] = None,
    checks: Annotated[
        list[str] | None,
        typer.Argument(metavar="[CHECK]...", help="Such as tilt; all doubts without it.", show_default=False),
    ] = None,
    back: Annotated[bool, typer.Option("--take-back", help="Make accepted doubts show again.")] = False,
    json: AsJson = False,
    debug: Debug = False,
) -> None:
    """Accept doubts of the page that you looked at, so that they no longer show.

    They show again where a check says something else, or more. Without a frame: lists all doubts. Kept in
    JOB/accepted.toml.
    """
    with told(debug):
        from panopipe.job import open_job
        from panopipe.review import accepting
        from panopipe.review.make import make_review

        job = open_job(folder)
        review = make_review(folder).review
        if where is None:
            _list(review, json)
            return
        change = (accepting.take_back if back else accepting.accept)(job, review, where, checks or [])
        make_review(folder)  # the page, the results: as they are now
        if json:
            print_json(
                {"accepted": not back, "doubts": [_plain(change.frame, one) for one in change.findings]}
            )
            return
        for one in change.findings:
            done = "shows again" if back else "accepted"
            print(printable(f"{change.frame or accepting.JOB_WORD}: {one.check} {done}: {one.sentence}"))


def _list(review: JobReview, json: bool) -> None:
    """All doubts, those of the job first."""
    from panopipe.review.accepting import JOB_WORD

    doubts = [("", one) for one in review.findings if one.crossed]
    doubts += [(str(frame.key), one) for frame in review.frames for one in frame.findings if one.crossed]
    if json:
        print_json([_plain(frame, one) for frame, one in doubts])
        return
    for frame, one in doubts:
        accepted = " (accepted)" if one.accepted else ""
        print(printable(f"{frame or JOB_WORD}: {one.check}{accepted}: {one.sentence}"))
    if not doubts:
        print("no check has a doubt")


def _plain(frame: str, finding: Finding) -> dict[str, Any]:
    facts = {"frame": frame, "check": finding.check, "sentence": finding.sentence}
    return facts | {"accepted": finding.accepted}
