"""A look at every original of a job, without working on it: does it open, is it a sphere, how large is it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from panopipe.frame import FrameFacts, FrameKey
from panopipe.job import Job
from panopipe.pipeline.steps import StageTimer
from panopipe.pool.budget import guessed_pixels, workers_for
from panopipe.pool.dispatch import dispatch
from panopipe.pool.worker_pool import WorkerPool
from panopipe.recipe import Recipe
from panopipe.run.frame_files import opened_frame
from panopipe.run.plan import plan_frames
from panopipe.run.remarks import sink_remarks
from panopipe.run.tasks import SurveyTask
from panopipe.state.run_log import ProgressReporter

_LIMIT_S = 600.0


@dataclass(frozen=True, slots=True)
class Checked:
    """What was found.

    Attributes
    ----------
    facts : mapping of FrameKey to FrameFacts
        Frames that open.
    failed : mapping of FrameKey to str
        Frames that do not, with the line that says why.
    remarks : tuple of str
        Frames that a person should look at, and where finished files will not be what the settings ask for.
    """

    facts: Mapping[FrameKey, FrameFacts]
    failed: Mapping[FrameKey, str]
    remarks: tuple[str, ...] = ()


def check_originals(job: Job, recipe: Recipe, reporter: ProgressReporter) -> Checked:
    """Open every original of a job in worker processes, so that a file that crashes a library is found too.

    Parameters
    ----------
    job : Job
        The job; nothing is written into it.
    recipe : Recipe
        Its settings: they say which stage reads the files.
    reporter : ProgressReporter
        Where to say how it goes.
    """
    frames = plan_frames(job, recipe)
    failed = {key: planned.entry.refused for key, planned in frames.items() if planned.entry.refused}
    tasks = {
        key: SurveyTask(planned.files(job), planned.source, (), {})
        for key, planned in frames.items()
        if key not in failed
    }
    facts: dict[FrameKey, FrameFacts] = {}
    doubts: dict[FrameKey, tuple[str, ...]] = {}
    pixels = [sum(guessed_pixels(t.files.at(path)) for path in t.files.paths) for t in tasks.values()]
    pool = WorkerPool(workers_for(pixels).count, _LIMIT_S, (__name__,))

    def tick(since: Mapping[FrameKey, float]) -> None:
        reporter.progress(f"opening {', '.join(map(str, list(since)[:3]))}: {len(tasks) - len(facts)} left")

    try:
        for key, task_result in dispatch(pool, probe, tasks.items(), tick):
            if task_result.result is None:
                failed[key] = task_result.error
            else:
                facts[key], reasons = task_result.result
                doubts |= {key: reasons} if reasons else {}
    finally:
        pool.kill()
    in_order = {key: facts[key] for key in frames if key in facts}
    failures = {key: failed[key] for key in frames if key in failed}
    said = (f"{key}: {reason}" for key in in_order for reason in doubts.get(key, ()))
    return Checked(in_order, failures, (*said, *sink_remarks(frames, in_order.items())))


def probe(task: SurveyTask) -> tuple[FrameFacts, tuple[str, ...]]:
    """Open a frame and return its facts, and why a person should look at it.

    Raises
    ------
    StageError
        If it cannot be opened.
    """
    with opened_frame(task.files, task.source, StageTimer()) as reader:
        return reader.facts, tuple(reader.review_reasons)
