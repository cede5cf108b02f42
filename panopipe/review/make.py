"""Make the review of a job: measure what is new, check, and write page, results and contact sheet."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

import cv2

from panopipe.errors import one_line
from panopipe.files.below import write_below
from panopipe.files.reduced import jpeg_size, read_reduced
from panopipe.files.toml import TomlError
from panopipe.frame import FrameKey
from panopipe.job import FINISHED, KINDS, REVIEW, Job, natural, open_job
from panopipe.job.names import folded
from panopipe.review import assets, page, results, sheet, store, table, takes
from panopipe.review.accepted import ACCEPTED, read_accepted, with_accepted
from panopipe.review.case import Case, number, run_command
from panopipe.review.checks import findings
from panopipe.review.finding import Finding, FrameReview, JobReview
from panopipe.review.measure import ENOUGH_PX, Measures, measure, reduced, sketch
from panopipe.review.references import FOOT_RADIUS, SUPPORT_FOUND
from panopipe.review.series import doubles, gaps
from panopipe.state.ledger import read_records
from panopipe.state.record import FrameRecord
from panopipe.state.stands import Picture, links_document, links_json, read_stands

KEPT = ".panopipe/review.json"
LINKS = f"{REVIEW}/links.json"


@dataclass(frozen=True, slots=True)
class ReviewSummary:
    """What was made, for the command line.

    Attributes
    ----------
    page, results, contact_sheet : Path
        The files; `contact_sheet` does not exist when no frame is finished.
    review : JobReview
        Every finding.
    """

    page: Path
    results: Path
    contact_sheet: Path
    review: JobReview

    def table(self, *, width: int = 100) -> str:
        """Short table for the terminal that ends with what to do next."""
        return table.terminal_table(self.review, job=str(self.page.parents[1]), page=self.page, width=width)


def make_review(job_folder: Path) -> ReviewSummary:
    """Check every frame of a job and write `review/` into its folder.

    Parameters
    ----------
    job_folder : Path
        The job; a run has left its records there.

    Returns
    -------
    ReviewSummary
        Where things are and what was found.

    Raises
    ------
    OSError
        If the review cannot be written.
    ValueError
        If the job's own files are wrong.
    """
    job = open_job(job_folder)
    records = read_records(job_folder)
    return review_records(job_folder, records, title=job.title or job.folder.name, job=job)


def review_records(
    job_folder: Path, records: Sequence[FrameRecord], *, title: str, job: Job | None = None
) -> ReviewSummary:
    """The same as `make_review`, from records in hand; `job` tells of rooms that cannot be read."""
    folder = job_folder / REVIEW
    review = look_over(job_folder, records, title=title, job=job)
    summary = ReviewSummary(
        folder / "index.html", folder / "results.json", folder / "contact-sheet.jpg", review
    )
    # These go to clients: the job by its name, and not where it lies on this machine.
    name = job_folder.resolve().name
    shown = {record.key: takes.page_takes(job, record.key) for record in records} if job else {}
    if job:
        takes.write_pictures(job_folder, folder, job)
    stands = read_stands(job_folder)
    page.write_page(folder, review, job=name, of_frames=page.OfFrames(shown, stands))
    write_below(job_folder, LINKS, links_json(links_document(title, stands, _pictures(review))))
    write_below(job_folder, f"{REVIEW}/results.json", results.as_json(review, job=name))
    pictured = [frame for frame in review.frames if frame.state in ("fine", "look")]
    if any(assets.names(folder, frame.key).thumbnail.exists() for frame in pictured):
        sheet_of_all = sheet.contact_sheet(review, folder)
        write_below(job_folder, f"{REVIEW}/contact-sheet.jpg", sheet_of_all)
    return summary


def _pictures(review: JobReview) -> dict[FrameKey, Picture]:
    """Finished pictures, named from where the links lie."""
    return {
        frame.key: Picture(f"../{frame.record.outputs[0]}", frame.record.width, frame.record.height)
        for frame in review.frames
        if frame.state in ("fine", "look") and frame.record.outputs
    }


def look_over(
    job_folder: Path, records: Sequence[FrameRecord], *, title: str, job: Job | None = None
) -> JobReview:
    """Measure what is new and put all to the checks; the pictures that show it are made, no page is.

    Raises
    ------
    OSError
        If what was measured cannot be kept.
    """
    kept, before = store.load(job_folder / KEPT)
    cv2.setNumThreads(1)  # frames are measured side by side; threads inside them would fight
    with ThreadPoolExecutor(max_workers=min(8, os.cpu_count() or 1)) as pool:
        looked = list(pool.map(lambda record: _look(job_folder, record, kept), records))
    seen = {
        record.key: looked_at
        for record, looked_at in zip(records, looked, strict=True)
        if isinstance(looked_at, store.Seen)
    }
    faults = {
        record.key: looked_at
        for record, looked_at in zip(records, looked, strict=True)
        if isinstance(looked_at, str)
    }
    review = judge(records, seen, faults, title=title)
    of_job = _unread(job) if job else []
    review = replace(review, findings=(*of_job, *review.findings, *_left_over(job_folder, records, job)))
    if job:
        review = replace(review, frames=tuple(_with_takes(frame, job) for frame in review.frames))
    review = _accepted(job_folder, review)
    outputs = {record.key: record.outputs[0] for record in records if record.key in seen}
    written = {name: assets.identity(key) for key, name in outputs.items()}
    marked = {name: (store.fingerprint(job_folder / name), seen[key]) for key, name in outputs.items()}
    write_below(job_folder, KEPT, store.dump(marked, written))
    assets.sweep(job_folder, [record.key for record in records], before)
    return review


def judge(
    records: Sequence[FrameRecord],
    seen: dict[FrameKey, store.Seen],
    faults: dict[FrameKey, str] | None = None,
    *,
    title: str,
) -> JobReview:
    """Put what was measured to the checks; no file is touched."""
    rooms: dict[str, dict[FrameKey, Measures]] = defaultdict(dict)
    for key, picture in seen.items():
        rooms[key.room][key] = picture.measures
    everyone = {key: picture.measures for key, picture in seen.items()}
    twins = doubles({key: picture.sketch for key, picture in seen.items()})
    frames = []
    for record in records:
        judged: tuple[Finding, ...] = ()
        if record.key in seen:
            twin = twins.get(record.key, (None, 0.0))
            judged = findings(
                Case(record, everyone[record.key], rooms[record.key.room], everyone, twin[0], twin[1])
            )
        elif record.key in (faults or {}):
            judged = (_unreadable(record, (faults or {})[record.key]),)
        frames.append(FrameReview(record, judged))
    return JobReview(title, tuple(frames), tuple(_job_findings(records)))


def _look(
    job_folder: Path, record: FrameRecord, kept: dict[str, tuple[str, store.Seen]]
) -> store.Seen | str | None:
    """Measure one finished picture, or take what was kept; a string says why it could not be read."""
    if record.status != "finished" or not record.outputs:
        return None
    path = job_folder / record.outputs[0]
    names = assets.names(job_folder / "review", record.key)
    try:
        mark, seen = kept.get(record.outputs[0], ("", None))
        if seen is not None and mark == store.fingerprint(path) and names.complete(job_folder, record):
            return seen
        data = path.read_bytes()
        width, height = jpeg_size(data)
        rgb8 = read_reduced(data, ENOUGH_PX)
        small = reduced(rgb8)
        seen = store.Seen(measure(rgb8, width, height, small), sketch(small))
    except (OSError, ValueError) as fault:
        return str(fault)
    names.write(data, rgb8, small, job_folder, record)
    return seen


def _with_takes(frame: FrameReview, job: Job) -> FrameReview:
    """A frame with what is said of the takes of its stand, where it was finished."""
    if frame.record.status != "finished":
        return frame
    return replace(frame, findings=(*frame.findings, *takes.take_findings(job, frame.key)))


def _unreadable(record: FrameRecord, fault: str) -> Finding:
    return Finding(
        "file", "File", crossed=True, sentence=f"The finished file cannot be read ({fault}).", doubt=100.0,
        remedy="Delete the file, then run the frame again.", command=run_command(record.key),
    )  # fmt: skip


def _accepted(job_folder: Path, review: JobReview) -> JobReview:
    """What was accepted is marked; where the file that holds it is damaged, that is said and nothing is."""
    try:
        return with_accepted(review, read_accepted(job_folder))
    except (TomlError, OSError) as error:
        line = error.line if isinstance(error, TomlError) else 0
        place = f"{ACCEPTED}:{line}" if line else ACCEPTED
        said = f"{place}: {one_line(error)}, so no doubt counts as accepted."
        damaged = Finding(
            "accepted", "Accepted doubts", crossed=True, sentence=said, doubt=100.0,
            remedy="Mend the file, or move it away and accept again.",
        )  # fmt: skip
        return replace(review, findings=(damaged, *review.findings))


def _job_findings(records: Sequence[FrameRecord]) -> list[Finding]:
    remedy = "If it was shot, copy its original into the job folder and run the job again."
    return [
        _of_the_job(
            "series", "Missing frame", f"{name} is missing from its numbered series.", remedy, doubt=1.5
        )
        for name in gaps([key for record in records for key in _numbered(record)])
    ] + _without_support(records)


def _numbered(record: FrameRecord) -> list[FrameKey]:
    """A frame under the names of all its files: exposures, and takes that are set aside."""
    files = (*record.originals, *record.set_aside)
    return [record.key, *(FrameKey(record.key.room, PurePosixPath(file).stem) for file in files)]


def _without_support(records: Sequence[FrameRecord]) -> list[Finding]:
    """Frames under whose camera nothing was found: one finding for all of them."""
    judged = [record for record in records if number(record, SUPPORT_FOUND) is not None]
    bare = [str(record.key) for record in judged if number(record, SUPPORT_FOUND) == 0]
    if not bare:
        return []
    shown = ", ".join(bare[:4]) + (f" and {len(bare) - 4} more" if len(bare) > 4 else "")
    where = ("JOB",) if len(bare) == len(judged) else ("JOB", bare[0])
    return [
        Finding(
            "support", "No support found", float(len(bare)), None, "frames", True,
            f"Nothing stands under the camera in {shown}: the floor there was left as it is.",
            "If a support shows there, say how far it reaches on the floor.",
            ("panopipe", "set", *where, f"{FOOT_RADIUS}=0.17"), 1.0,
        )
    ]  # fmt: skip


def _unread(job: Job) -> list[Finding]:
    remedy = "Allow the folder to be read, then run the job again."
    return [
        _of_the_job("unread", "Unread room", f"{folder}: {why}, so none of its frames was looked at.", remedy)
        for folder, why in job.unread.items()
    ]


def _of_the_job(key: str, name: str, sentence: str, remedy: str, *, doubt: float = 100.0) -> Finding:
    return Finding(
        key, name, crossed=True, doubt=doubt, sentence=sentence, remedy=remedy,
        command=("panopipe", "run", "JOB"),
    )  # fmt: skip


def _left_over(job_folder: Path, records: Sequence[FrameRecord], job: Job | None) -> list[Finding]:
    """Pictures in the folder of finished frames that are of no frame: easily delivered by mistake."""
    known = {folded(name) for record in records for name in record.outputs}
    pictures = (path for path in (job_folder / FINISHED).rglob("*") if path.suffix.lower() in KINDS)
    names = [path.relative_to(job_folder).as_posix() for path in pictures if not path.name.startswith(".")]
    strays = sorted((name for name in names if folded(name) not in known), key=natural)
    if job:
        strays = [name for name in strays if not job.is_of_unread(name.removeprefix(f"{FINISHED}/"))]
    if not strays:
        return []
    shown = ", ".join(strays[:4]) + (f" and {len(strays) - 4} more" if len(strays) > 4 else "")
    return [
        Finding(
            "left-over", "Left over", float(len(strays)), 0.0, "files", True,
            f"Of no frame as the job stands now: {shown}.",
            "They are of an earlier run, or not of panopipe. Move them away before you deliver.", doubt=1.5,
        )
    ]  # fmt: skip
