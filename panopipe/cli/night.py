"""A night's work: look a job over, make proofs, run it."""

from __future__ import annotations

import contextlib
import dataclasses
import traceback
from collections import Counter
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Annotated, Any

import typer

from panopipe.cli.errors import FRAMES_FAILED, INTERRUPTED, STOPPED, say, told, what_to_do
from panopipe.cli.options import AsJson, Debug, Frames, JobFolder, OnCluster, Rooms, Workers
from panopipe.cli.output import print_json, screen_for
from panopipe.errors import printable

if TYPE_CHECKING:
    from panopipe.frame import FrameKey
    from panopipe.job import Job
    from panopipe.recipe import Recipe
    from panopipe.review.make import ReviewSummary
    from panopipe.run.session import Options, Summary


def run(
    folder: JobFolder,
    room: Rooms = None,
    frame: Frames = None,
    workers: Workers = None,
    cluster: OnCluster = None,
    longest_min: Annotated[
        float, typer.Option(metavar="MINUTES", min=0.01, help="Longest that one frame may take.")
    ] = 60,
    rehash: Annotated[
        bool, typer.Option("--rehash", help="Read all originals again, changed or not.")
    ] = False,
    review: Annotated[bool, typer.Option(help="Make the review page after the run.")] = True,
    plan: Annotated[
        bool, typer.Option("--plan", help="Only say what would be made, and why; do nothing.")
    ] = False,
    json: AsJson = False,
    debug: Debug = False,
) -> None:
    """Finish a job's frames; only what changed is done again.

    All frames, or those of some rooms. Stopped or killed, run it again and it goes on.
    """
    with told(debug):
        from panopipe.job import open_job
        from panopipe.recipe import load_recipe
        from panopipe.run.job_run import Options, run_job

        job = open_job(folder)
        options = Options(_chosen(job, room, frame), workers, longest_min * 60, rehash)
        if plan:
            _print_plan(job, options, json)
            return
        screen, recipe = screen_for(json), load_recipe(job)
        with _placed(options, cluster, job, recipe) as placed:
            summary = run_job(job, recipe, placed, screen)
        job = open_job(folder)  # as the run put its files together
        screen.wipe()
        wanted = review and not summary.stopped
        made = _review(job, debug) if wanted else None
        if json:
            print_json({**_summary_json(summary), "review": str(made.page) if made else ""})
        else:
            _print_table(job, summary, failures=made is None)
            if made:
                print(made.table())
    raise typer.Exit(_code(summary) or (FRAMES_FAILED if wanted and not made else 0))


@contextlib.contextmanager
def _placed(options: Options, cluster: str | None, job: Job, recipe: Recipe) -> Iterator[Options]:
    """The same options, with the work done on a cluster if there is one."""
    if cluster is None:
        yield options
        return
    if options.workers:
        raise ValueError("--workers is for this machine, and a cluster has the workers it has; leave one out")
    try:
        from panopipe.cluster.cluster import Cluster
    except ImportError as error:
        raise ValueError(
            f"--cluster needs what is not installed ({error}): pip install 'panopipe[cluster]'"
        ) from error
    stages = {stage for key in job.frames for stage in recipe.settings(key).order}
    with Cluster(cluster, job.folder, stages, options.limit_s) as at:
        yield dataclasses.replace(options, executor=at.executor, budget=at.budget)


def _print_plan(job: Job, options: Options, json: bool) -> None:
    from panopipe.recipe import load_recipe
    from panopipe.run.forecast import forecast

    frames = forecast(job, load_recipe(job), options)
    if json:
        print_json(
            [{"frame": str(one.key), "what": one.what, "reasons": list(one.reasons)} for one in frames]
        )
        return
    for one in frames:
        if one.what != "stays":
            print(printable(f"{one.key}: {one.what}: {'; '.join(one.reasons)}"))
    counts = Counter(one.what for one in frames)
    print(", ".join(f"{number} {WHAT[what]}" for what, number in counts.items()) or "no frames")


WHAT = {
    "is made": "to be made",
    "may be made": "may be made",
    "stays": "stay as they are",
    "is refused": "cannot be taken",
}
"""How frames of each kind are counted."""


_ROOMS = ("panopipe", "rooms", "JOB")


def check(folder: JobFolder, json: AsJson = False, debug: Debug = False) -> None:
    """Check a job, its recipe and its originals; work on nothing.

    Reads the recipe, opens every original and says how large it is; nothing is written.
    """
    with told(debug):
        from panopipe.job import open_job
        from panopipe.job.inventory import inventory, wants_rooms
        from panopipe.recipe import load_recipe
        from panopipe.review.words import quoted
        from panopipe.run.checking import check_originals
        from panopipe.run.forecast import expected
        from panopipe.run.grouping import recognised
        from panopipe.run.remarks import group_lines
        from panopipe.state.ledger import read_records

        job = open_job(folder)
        recipe = load_recipe(job)
        screen = screen_for(json)
        job = recognised(job, recipe, screen, keeps=False)
        checked = check_originals(job, recipe, screen)
        screen.wipe()
        pixels = [facts.width * facts.height for facts in checked.facts.values()]
        needs = expected(job, pixels, {record.key: record for record in read_records(job.folder)})
        orders = sorted({recipe.settings(key).order for key in job.frames})
        remarks = [*job.remarks, *recipe.idle(), *checked.remarks]
        if json:
            sizes = {str(key): [facts.width, facts.height] for key, facts in checked.facts.items()}
            failed = {str(key): why for key, why in checked.failed.items()}
            made_of = {
                str(key): {"kind": group.kind, "files": list(group.files)}
                for key, group in zip(job.members, job.groups, strict=True)
            }
            told_of = {"failed": failed, "unread": dict(job.unread), "remarks": remarks, "groups": made_of}
            print_json({"frames": sizes, **told_of, "orders": orders, "estimate": needs})
        else:
            for room, keys in job.rooms.items():
                seen = {f"{f.width}x{f.height}" for key in keys if (f := checked.facts.get(key))}
                print(
                    f"{printable(room) or '(no room)':24} frames: {len(keys):3}   {', '.join(sorted(seen))}"
                )
            for order in orders:
                print("stages: " + ", ".join(order))
            failures = (f"{key}: {why}" for key, why in checked.failed.items())
            for line in (*group_lines(job), *remarks, *failures):
                print(printable(line))
            print(inventory(job).line(unreadable=len(checked.failed)))
            if wants_rooms(job):
                print("folders do not tell all rooms; they are proposed by: " + quoted(_ROOMS, str(folder)))
            print(f"the recipe is right; {len(checked.facts)} of {len(job.frames)} frames can be taken")
            print(_needs(needs))
    raise typer.Exit(FRAMES_FAILED if checked.failed or job.unread else 0)


def _needs(needs: Mapping[str, float]) -> str:
    """Time and disk that a run of all frames takes."""
    from panopipe.run.pace import in_words

    by = "by frames of this job" if needs["by_this_job"] else "a first guess"
    return (
        f"a run of all: about {in_words(needs['seconds'])} with {needs['workers']} at a time ({by}), "
        f"{needs['disk_bytes'] / 1e9:.1f} GB of disk; {needs['disk_free_bytes'] / 1e9:.0f} GB are free"
    )


def proof(
    folder: JobFolder,
    room: Rooms = None,
    frame: Frames = None,
    width: Annotated[int, typer.Option(min=256, max=2048, metavar="PX", help="Width of the proofs.")] = 2048,
    workers: Workers = None,
    json: AsJson = False,
    debug: Debug = False,
) -> None:
    """Make small pictures and one page of them, in seconds.

    With the settings in force, up to 2048 wide, to judge them before a run; the proof before beside each.
    """
    with told(debug):
        from panopipe.job import open_job
        from panopipe.recipe import load_recipe
        from panopipe.review.proof_page import write_proof_page
        from panopipe.run.job_run import Options, proof_job

        job = open_job(folder)
        options = Options(_chosen(job, room, frame), workers)
        screen = screen_for(json)
        summary = proof_job(job, load_recipe(job), options, screen, width=width)
        job = open_job(folder)  # as the proofs put its files together
        screen.wipe()
        page = write_proof_page(job)
        if json:
            print_json({**_summary_json(summary), "page": page})
        else:
            _print_table(job, summary)
            print(f"proofs: {job.folder / page}")
    raise typer.Exit(_code(summary))


def _chosen(job: Job, rooms: list[str] | None, frames: list[str] | None) -> set[FrameKey] | None:
    if not rooms and not frames:
        return None
    wanted = {job.room(room) for room in rooms or ()}
    return {key for key in job.frames if key.room in wanted} | {job.key(frame) for frame in frames or ()}


def _review(job: Job, debug: bool) -> ReviewSummary | None:
    """Make the review; a fault in it is told and costs no finished frame."""
    from panopipe.review.make import make_review

    try:
        return make_review(job.folder)
    except Exception as error:  # whatever it is, the frames are finished
        if debug:
            traceback.print_exc()
        say(f"the frames are finished, but the review could not be made: {what_to_do(error)}")
        return None


def _code(summary: Summary) -> int:
    if summary.stopped:
        return INTERRUPTED if summary.interrupted else STOPPED
    return FRAMES_FAILED if summary.failed or summary.unread else 0


def _summary_json(summary: Summary) -> dict[str, Any]:
    return {
        "finished": [str(key) for key in summary.finished],
        "already_finished": [str(key) for key in summary.already],
        "failed": {str(key): summary.errors[key] for key in summary.failed},
        "unread": dict(summary.unread),
        "left": summary.left,
        "stopped": summary.stopped,
        "seconds": round(summary.seconds, 3),
        "log": summary.log,
    }


def _print_table(job: Job, summary: Summary, *, failures: bool = True) -> None:
    from panopipe.cli.screen import table_lines

    for line in table_lines(job, summary, failures=failures):
        print(line)
