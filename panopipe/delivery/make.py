"""Make a delivery: what is ready is chosen, named, written with all that goes with it, and noted."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from panopipe.delivery.checksums import SUMS, sums_text, verify_delivery
from panopipe.delivery.choice import opened_finished
from panopipe.delivery.doings import made_from
from panopipe.delivery.goal import Goal, clear_up, goal_of
from panopipe.delivery.kept import Content, KeptDelivery, read_kept, write_kept
from panopipe.delivery.plan import SHEET, Options, Picture, Plan, planned
from panopipe.delivery.readiness import obstacles
from panopipe.delivery.statement import NAME as STATEMENT
from panopipe.delivery.statement import Delivered, Statement, statement_html
from panopipe.delivery.thumbnails import thumbnail
from panopipe.delivery.writing import Writer, is_as_left, on_disk, writer_for
from panopipe.files.position import holds_position
from panopipe.files.recode import recoded
from panopipe.frame import FrameKey
from panopipe.job import REVIEW, Job, open_job
from panopipe.job.file_names import pattern_fault
from panopipe.review import sheet
from panopipe.review.make import look_over
from panopipe.state.ledger import LEDGER, Entry, Ledger, read_records
from panopipe.state.lock import JobLock
from panopipe.state.run_log import ProgressReporter


@dataclass(slots=True)
class Summary:
    """How it went.

    Attributes
    ----------
    path : Path
        The folder or zip.
    obstacles : list of str
        Why nothing was delivered; or what was delivered in spite of it.
    made, kept : list of str
        Files written now, and those taken over from the delivery that stood there.
    bytes : int
        Of all files together.
    unchanged : bool
        Whether it stood there already, the very same.
    remarks : list of str
        What a person should know.
    """

    path: Path
    obstacles: list[str] = field(default_factory=list)
    made: list[str] = field(default_factory=list)
    kept: list[str] = field(default_factory=list)
    bytes: int = 0
    unchanged: bool = False
    remarks: list[str] = field(default_factory=list)

    @property
    def delivered(self) -> bool:
        """Whether the delivery stands."""
        return bool(self.made or self.kept)


def deliver(
    folder: Path,
    options: Options,
    reporter: ProgressReporter,
    stale: Mapping[FrameKey, str] | None = None,
) -> Summary:
    """Deliver a job's finished pictures into a folder or a zip, whole or not at all.

    Parameters
    ----------
    folder : Path
        The job folder.
    options : Options
        What is wanted.
    reporter : ProgressReporter
        Where to say how it goes.
    stale : mapping of FrameKey to str, optional
        Finished frames that a run would make again, and why: they are not what the settings ask for.

    Returns
    -------
    Summary
        How it went; with obstacles and nothing delivered where frames are missing or in doubt.

    Raises
    ------
    ValueError
        If nothing is finished, a name or the place cannot be, a width was not exported, a picture tells a
        position, or what stands there was not delivered by panopipe (`JobError` with every fault).
    BlockingIOError
        If a run works on the job.
    OSError
        If it cannot be written.
    """
    job = open_job(folder)
    goal, options = goal_of(job, options.goal), options.settled(job.delivery)
    if fault := pattern_fault(options.names):
        raise ValueError(f"{options.names}: {fault}")
    with JobLock(job.folder):
        clear_up(goal)
        entries, records = _entries(job), read_records(job.folder)
        review = look_over(job.folder, records, title=job.title or job.folder.name, job=job)
        summary = Summary(goal.path, obstacles(review, entries, stale or {}))
        if options.anyway or not summary.obstacles:
            plan = planned(job, options, review, entries)
            summary.remarks += plan.remarks
            _deliver(plan, goal, summary, reporter)
        return summary


def _deliver(plan: Plan, goal: Goal, summary: Summary, reporter: ProgressReporter) -> None:
    """Write what is planned, if it does not stand there already."""
    kept = read_kept(plan.job.folder)
    fingerprint, stands = plan.fingerprint(), kept.get(goal.key)
    found = on_disk(goal) if goal.path.exists() else {}
    if stands and stands.fingerprint == fingerprint and stands.on_disk == found:
        summary.kept, summary.unchanged = list(stands.contents), True
        summary.bytes = sum(size for size, _ in found.values())
        return
    if stands and not is_as_left(stands.on_disk, found):
        stands = None
    if found and not stands:
        _refuse_foreign(goal, found, reporter)
    with writer_for(goal) as writer:
        contents = _write(plan, writer, stands, summary, reporter)
        writer.take_place()
    left = KeptDelivery(fingerprint, contents, on_disk(goal))
    kept.pop(goal.key, None)
    write_kept(plan.job.folder, {**kept, goal.key: left})
    summary.bytes = sum(size for size, _ in left.on_disk.values())


def _entries(job: Job) -> Mapping[FrameKey, Entry]:
    if not (job.folder / LEDGER).is_file():
        return {}
    with Ledger(job.folder, read_only=True) as ledger:
        return ledger.entries()


def _refuse_foreign(goal: Goal, found: Mapping[str, tuple[int, int]], reporter: ProgressReporter) -> None:
    """Refuse to replace what is no delivery, or was changed since: somebody may want it.

    Raises
    ------
    ValueError
        If there is such a thing.
    """
    try:
        verified = verify_delivery(goal.path, reporter)
        changed = [*(name for name, why in verified.wrong.items() if why != "is missing"), *verified.unknown]
        why = f"{changed[0]} in it was not delivered so" if changed else ""
    except (ValueError, OSError):
        why = "it is no delivery"
    if why:
        raise ValueError(f"{goal.path} is not replaced: {why}; move it away, or name another place with --to")


def _write(
    plan: Plan, writer: Writer, stands: KeptDelivery | None, summary: Summary, reporter: ProgressReporter
) -> dict[str, Content]:
    """Write all files of a delivery; return what they are."""
    contents: dict[str, Content] = {}
    delivered: list[Delivered] = []
    before = {one.made_of: (name, one) for name, one in (stands.contents if stands else {}).items()}
    for place, one in enumerate(plan.pictures):
        reporter.progress(f"{one.name}: {len(plan.pictures) - place} of {len(plan.pictures)} left")
        contents[one.name] = _picture(plan, one, writer, before.get(one.made_of), summary)
        delivered.append(_told(plan, one, contents[one.name].quality))
    for name, data in _papers(plan, delivered).items():
        contents[name] = _put(writer, name, data, summary)
    sums = sums_text({name: content.sha256 for name, content in contents.items()})
    contents[SUMS] = _put(writer, SUMS, sums, summary)
    return contents


def _told(plan: Plan, one: Picture, quality: int | None) -> Delivered:
    """A picture as the statement tells of it."""
    export, record = one.chosen.export, one.review.record
    small = thumbnail(plan.job.folder, one.review.key)
    made = made_from(record, plan.job.groups)
    return Delivered(one.name, one.review, export.width, export.height, made, small, export.by_hand, quality)


def _picture(
    plan: Plan, one: Picture, writer: Writer, before: tuple[str, Content] | None, summary: Summary
) -> Content:
    """One picture of the delivery: taken over where it is there, else written.

    Raises
    ------
    ValueError
        If it tells a position that is not wanted, or is not what the run wrote any longer.
    """
    if before and writer.keep(one.name, before[0]):
        summary.kept.append(one.name)
        return before[1]
    key = one.review.key
    with opened_finished(plan.job.folder, one.chosen.export.path) as file:
        data = file.read()
    sha256 = hashlib.sha256(data).hexdigest()
    if sha256 != one.chosen.export.stamp.sha256:
        raise ValueError(f"{one.chosen.export.path} changed while it was read; deliver again")
    if not plan.options.with_position and holds_position(data):
        raise ValueError(
            f"{key}: {one.chosen.export.path} tells the position of the place; deliver it --with-position, "
            "or set export.keep_position=false and run the job"
        )
    quality = None
    if one.chosen.most_bytes is not None:
        old = writer.old(before[0]) if before else None
        if before and old is not None and hashlib.sha256(old).hexdigest() == before[1].sha256:
            data, quality = old, before[1].quality
        else:
            try:
                data, quality = recoded(data, one.chosen.most_bytes)
            except ValueError as error:
                raise ValueError(f"{key}: {error}") from error
        sha256 = hashlib.sha256(data).hexdigest()
    writer.put(one.name, data)
    summary.made.append(one.name)
    return Content(sha256, one.made_of, quality)


def _papers(plan: Plan, delivered: Sequence[Delivered]) -> dict[str, bytes]:
    """Contact sheet, statement, and what else goes with the pictures."""
    order = {one.review.key: place for place, one in enumerate(plan.pictures)}
    frames = sorted((f for f in plan.review.frames if f.key in order), key=lambda frame: order[frame.key])
    captions = {one.review.key: one.name.rpartition("/")[2].removesuffix(".jpg") for one in plan.pictures}
    shown = replace(plan.review, frames=tuple(frames))
    statement = Statement(
        plan.review.title, plan.job.rights, delivered, plan.missing, plan.options.with_position
    )
    return {
        SHEET: sheet.contact_sheet(shown, plan.job.folder / REVIEW, captions),
        STATEMENT: statement_html(statement),
        **plan.extras,
    }


def _put(writer: Writer, name: str, data: bytes, summary: Summary) -> Content:
    writer.put(name, data)
    summary.made.append(name)
    sha256 = hashlib.sha256(data).hexdigest()
    return Content(sha256, sha256)
