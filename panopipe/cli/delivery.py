"""After the night: accept what was looked at, and hand the pictures over."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from panopipe.cli.errors import FRAMES_FAILED, told
from panopipe.cli.options import AsJson, Debug, JobFolder
from panopipe.cli.output import print_json, screen_for
from panopipe.errors import printable

if TYPE_CHECKING:
    from panopipe.delivery.make import Summary
    from panopipe.frame import FrameKey
    from panopipe.review.finding import Finding, JobReview


def accept(
    folder: JobFolder,
    where: Annotated[
        str | None,
        typer.Argument(
            metavar="[WHERE]",
            help='ROOM/FRAME, ROOM, or "job" for all frames and what concerns none.',
            show_default=False,
        ),
    ] = None,
    checks: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[CHECK]...", help="Such as tilt; all doubts of the frame without it.", show_default=False
        ),
    ] = None,
    back: Annotated[bool, typer.Option("--take-back", help="Make accepted doubts show again.")] = False,
    json: AsJson = False,
    debug: Debug = False,
) -> None:
    """Accept doubts of the page that you looked at, so that they no longer show.

    They show again where a check says something else, or more. Without WHERE: lists all doubts. Kept in
    JOB/accepted.toml.
    """
    with told(debug):
        from panopipe.job.places import JOB_WORD
        from panopipe.review.make import make_review
        from panopipe.review.tick import tick

        if where is None:
            _list(make_review(folder).review, json)
            return
        doubts = tick(folder, where, checks or [], accepted=not back)
        if json:
            print_json({"accepted": not back, "doubts": [_plain(*doubt) for doubt in doubts]})
            return
        for frame, one in doubts:
            done = "shows again" if back else "accepted"
            print(printable(f"{frame or JOB_WORD}: {one.check} {done}: {one.sentence}"))


def deliver(
    folder: JobFolder,
    to: Annotated[
        Path | None,
        typer.Option(
            "--to", metavar="PLACE", help="A folder, or a zip by its ending.", show_default="JOB/delivery"
        ),
    ] = None,
    names: Annotated[
        str,
        typer.Option(
            metavar="PATTERN",
            help="Names of the pictures, of {number} {name} {room} {frame}; number counts in walking order.",
            show_default="{number}-{name}",
        ),
    ] = "",
    width: Annotated[
        int | None, typer.Option(min=64, metavar="PX", help="One of the exported widths; else the main one.")
    ] = None,
    under: Annotated[
        float | None,
        typer.Option(
            "--under", min=0.01, metavar="MB", help="Largest picture: the widest export that is small enough."
        ),
    ] = None,
    anyway: Annotated[
        bool, typer.Option("--anyway", help="Deliver what is finished, whatever is missing or in doubt.")
    ] = False,
    with_position: Annotated[
        bool, typer.Option("--with-position", help="Let pictures tell where the place lies.")
    ] = False,
    json: AsJson = False,
    debug: Debug = False,
) -> None:
    """Hand over the finished pictures in a folder or a zip, whole or not at all.

    With contact sheet, SHA-256 list, and a statement of what was done to each. Not while frames are missing
    or in doubt. Given again, it makes only what changed.
    """
    with told(debug):
        from panopipe.delivery.make import deliver as deliver_
        from panopipe.delivery.plan import Options

        screen = screen_for(json)
        options = Options(to, names, width, under, anyway, with_position)
        summary = deliver_(folder, options, screen, _stale(folder))
        screen.wipe()
        if json:
            print_json(_summary_json(summary))
        else:
            _tell(folder, summary)
    raise typer.Exit(0 if summary.delivered else FRAMES_FAILED)


def _stale(folder: Path) -> dict[FrameKey, str]:
    """Frames that a run would make again, and why."""
    from panopipe.job import open_job
    from panopipe.recipe import load_recipe
    from panopipe.run.forecast import forecast

    job = open_job(folder)
    forecasts = forecast(job, load_recipe(job))
    return {one.key: "; ".join(one.reasons) for one in forecasts if one.what != "stays"}


def _tell(folder: Path, summary: Summary) -> None:
    from panopipe.review.words import count, quoted

    for line in (*summary.obstacles, *summary.remarks):
        print(printable(line))
    if not summary.delivered:
        accept_ = quoted(("panopipe", "accept", "JOB", "ROOM/FRAME", "CHECK"), str(folder))
        print(f"not delivered: {count(len(summary.obstacles), 'doubt')}; mend or accept what is named above:")
        print(f"  {printable(accept_)}\n  or deliver what is finished all the same, with --anyway")
        return
    files, size = len(summary.made) + len(summary.kept), summary.bytes / 1e6
    how = "unchanged" if summary.unchanged else f"{len(summary.made)} made, {len(summary.kept)} as they were"
    print(printable(f"{summary.path}: {count(files, 'file')}, {size:.1f} MB ({how})"))


def _summary_json(summary: Summary) -> dict[str, Any]:
    return {
        "delivered": str(summary.path) if summary.delivered else "",
        "obstacles": summary.obstacles,
        "made": summary.made,
        "kept": summary.kept,
        "bytes": summary.bytes,
        "remarks": summary.remarks,
    }


def _list(review: JobReview, json: bool) -> None:
    """All doubts, those of the job first."""
    from panopipe.job.places import job_word

    whole = job_word(frame.key for frame in review.frames)
    doubts = [("", one) for one in review.findings if one.crossed]
    doubts += [(str(frame.key), one) for frame in review.frames for one in frame.findings if one.crossed]
    if json:
        print_json([_plain(frame, one) for frame, one in doubts])
        return
    for frame, one in doubts:
        accepted = " (accepted)" if one.accepted else ""
        print(printable(f"{frame or whole}: {one.check}{accepted}: {one.sentence}"))
    if not doubts:
        print("no check has a doubt")


def _plain(frame: str, finding: Finding) -> dict[str, Any]:
    facts = {"frame": frame, "check": finding.check, "sentence": finding.sentence}
    return facts | {"accepted": finding.accepted}
