"""What a run would do and why, worked out beforehand without touching the job."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from statistics import median

from panopipe.files.below import make_below
from panopipe.frame import FrameKey
from panopipe.job import WORKING, Job
from panopipe.pool.budget import OUTPUT_BYTES_PER_PIXEL, workers_for
from panopipe.recipe import Recipe
from panopipe.run.finish import finish_fingerprint, made_before
from panopipe.run.grouping import recognised
from panopipe.run.plan import Planned
from panopipe.run.session import Options, Session
from panopipe.run.solve import solve_all
from panopipe.run.survey import is_known
from panopipe.state.ledger import LEDGER, Entry, Ledger
from panopipe.state.record import FrameRecord
from panopipe.state.run_log import RunLog, SilentReporter

SECONDS_PER_MEGAPIXEL = 0.13
"""CPU of a whole frame where no frame of the job tells (measured at 18.9 megapixels)."""
SECONDS_TO_START, SECONDS_PER_FRAME = 4.0, 1.5
"""What comes to that whatever the size: workers that start; a frame looked at, solved for and reviewed (the
sample job, 9 frames of 2 megapixels: 18 s, of which its pixels take 1)."""

PICTURE_STAYS = "its picture stays, metadata alone is written anew"


@dataclass(frozen=True, slots=True)
class Forecast:
    """What would become of a frame.

    Attributes
    ----------
    key : FrameKey
        The frame.
    what : str
        "stays", "is made", "may be made" (as other frames have to be looked at first), or "is refused".
    reasons : tuple of str
        Why; none for a frame that stays as it is.
    """

    key: FrameKey
    what: str
    reasons: tuple[str, ...] = ()


def forecast(job: Job, recipe: Recipe, options: Options | None = None) -> tuple[Forecast, ...]:
    """Tell for each wanted frame what a run would do, and why.

    Parameters
    ----------
    job : Job
        The job; nothing is written into it.
    recipe : Recipe
        Its settings.
    options : Options, optional
        How it would be run.

    Raises
    ------
    OSError
        If the ledger cannot be read.
    """
    options = options or Options()
    job = recognised(job, recipe, SilentReporter(), keeps=False, options=options)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        make_below(folder, WORKING)
        if (job.folder / LEDGER).is_file():
            shutil.copyfile(job.folder / LEDGER, folder / LEDGER)
        with Ledger(folder) as ledger, RunLog(folder, SilentReporter()) as run_log:
            session = Session(job, recipe, options, run_log, ledger)
            return tuple(_forecasts(session))


def seconds_of(pixels: int, records: Mapping[FrameKey, FrameRecord]) -> tuple[float, bool]:
    """Seconds of CPU that so many pixels will take, and whether frames of the job tell."""
    told = [
        1e6 * sum(record.stage_seconds.values()) / (record.width * record.height)
        for record in records.values()
        if record.stage_seconds and record.width
    ]
    each = median(told) if told else SECONDS_PER_MEGAPIXEL
    return each * pixels / 1e6, bool(told)


def expected(job: Job, pixels: list[int], records: Mapping[FrameKey, FrameRecord]) -> dict[str, float]:
    """Time, workers and disk that frames of these sizes will take."""
    seconds, is_told = seconds_of(sum(pixels), records)
    workers = workers_for(pixels).count
    return {
        "seconds": round(SECONDS_TO_START + SECONDS_PER_FRAME * len(pixels) + seconds / max(1, workers), 1),
        "workers": workers,
        "disk_bytes": round(OUTPUT_BYTES_PER_PIXEL * sum(pixels)),
        "disk_free_bytes": shutil.disk_usage(job.folder).free,
        "by_this_job": is_told,
    }


def _forecasts(session: Session) -> Iterator[Forecast]:
    seen = session.ledger.survey_fingerprints()
    unknown = {
        key
        for key, planned in session.frames.items()
        if not planned.entry.refused and not is_known(session, planned, seen)
    }
    # All others were solved without those that failed.
    unknown = {key for key in unknown if not _failed(session.ledger.entry(key))}
    if not unknown:
        session.call_inline()
        solve_all(session)
    for key, planned in session.frames.items():
        if key in session.wanted:
            yield _of(session, planned, unknown)


def _of(session: Session, planned: Planned, unknown: set[FrameKey]) -> Forecast:
    key = planned.key
    if planned.entry.refused:
        return Forecast(key, "is refused", (planned.entry.refused,))
    entry = session.ledger.entry(key)
    reasons = tuple(_reasons(session, planned, entry))
    stays = (PICTURE_STAYS,) if not unknown and made_before(session, key) else ()
    if reasons or entry is None:
        return Forecast(key, "is made", reasons + stays)
    if key in unknown:
        return Forecast(key, "may be made", ("it has to be looked at again",))
    if unknown:
        return Forecast(key, "may be made", (f"white and light are solved anew with {_names(unknown)}",))
    if finish_fingerprint(session, key) != entry.fingerprint:
        moved = ("a stage is newer, or what is solved jointly has moved",)
        return Forecast(key, "is made", ("its title or rights are others", *stays) if stays else moved)
    return Forecast(key, "stays")


def _failed(entry: Entry | None) -> bool:
    return entry is not None and entry.record.status == "failed"


def _reasons(session: Session, planned: Planned, entry: Entry | None) -> Iterator[str]:
    """What of a frame itself is another than when it was finished."""
    if entry is None:
        yield "it was not finished yet"
        return
    if _failed(entry):
        yield f"it failed: {entry.record.error.removeprefix(f'{planned.key}: ')}"
        return
    for path in planned.paths:
        if path not in session.stamps:
            yield f"{path} is new or was changed"
    yield from _changed_settings(planned, entry.record)
    if set(entry.files) != set(planned.outputs):
        yield f"its files will be {', '.join(planned.outputs)}"
    for path in entry.files:
        if not (session.job.folder / path).is_file():
            yield f"{path} is missing"
    if not entry.fingerprint:
        yield "it was being made when the run stopped"


def _changed_settings(planned: Planned, record: FrameRecord) -> Iterator[str]:
    if planned.settings.order != record.order:
        yield f"its stages are {', '.join(planned.settings.order)}"
    for stage, values in planned.effective().items():
        for name, value in values.items():
            before = record.settings.get(stage, {}).get(name)
            if before is not None and _plain(before.value) != _plain(value.value) and name != "order":
                yield f"{stage}.{name} is {_plain(value.value)}, was {_plain(before.value)}"


def _plain(value: object) -> object:
    return list(value) if isinstance(value, tuple) else value


def _names(keys: set[FrameKey]) -> str:
    first, *rest = sorted(map(str, keys))
    return first if not rest else f"{first} and {len(rest)} more"
