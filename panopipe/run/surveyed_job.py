"""A job looked at, to be worked on frame by frame: its facts, and what its stages saw of each frame."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from panopipe.frame import Frame, FrameFacts, FrameKey, Rows
from panopipe.job import Job
from panopipe.pipeline.engine import BEFORE_WIDTH, REDUCED_WIDTH, reduce_rows, reductions
from panopipe.pipeline.steps import StageTimer
from panopipe.recipe import Recipe
from panopipe.registry import loaded_stage
from panopipe.run.cache import as_small, cached_reduced, cached_small
from panopipe.run.frame_files import opened_frame
from panopipe.run.plan import Planned, survey_fingerprint
from panopipe.run.session import Session
from panopipe.stage import Stand
from panopipe.state.serialization import loads, packages_of


@dataclass(frozen=True, slots=True)
class SurveyedFrame:
    """A frame that was looked at: the fingerprint of its light, and its facts."""

    source: str
    facts: FrameFacts


@dataclass(frozen=True, slots=True, eq=False)
class SurveyedJob:
    """A job as a look found it.

    Attributes
    ----------
    job : Job
        The job.
    recipe : Recipe
        Its settings when it was looked at.
    surveyed : mapping of FrameKey to SurveyedFrame
        Frames that could be opened: fingerprint of their light, and facts.
    seen : mapping of (stage, frame, settings) to object
        What each stage that surveys saw of each frame, with the settings it was handed then.
    solved : mapping of str to str
        By stage, the fingerprint of what was solved; the solutions themselves are in the ledger.
    stands : mapping of FrameKey to Stand
        Where frames stood, as far as that was found out.
    failed : mapping of FrameKey to str
        Why the others could not be opened.
    """

    job: Job
    recipe: Recipe
    surveyed: Mapping[FrameKey, SurveyedFrame]
    seen: Mapping[tuple[str, FrameKey, Any], Any]
    solved: Mapping[str, str]
    stands: Mapping[FrameKey, Stand]
    failed: Mapping[FrameKey, str]


def as_surveyed(session: Session) -> SurveyedJob:
    """What a session knows once it has looked at all frames and solved."""
    seen = {}
    for key, surveyed in session.surveyed.items():
        for name, given in session.frames[key].surveys:
            stage = loaded_stage(name)
            text = session.ledger.seen(survey_fingerprint(surveyed.source, name, given))
            seen[name, key, stage.settings_for_look(given)] = loads(text, packages_of(stage))
    return SurveyedJob(
        session.job,
        session.recipe,
        {key: SurveyedFrame(one.source, session.facts(key)) for key, one in session.surveyed.items()},
        seen,
        dict(session.solved),
        stands_of(session),
        dict(session.summary.errors),
    )


def stands_of(session: Session) -> dict[FrameKey, Stand]:
    """Where frames stood, as whichever stage found out."""
    return {
        key: outline.stand
        for key in session.surveyed
        for outline in session.outlines(key).values()
        if outline.stand is not None
    }


@dataclass(frozen=True, slots=True, eq=False)
class FrameLight:
    """A frame's light as its source gives it, in memory.

    Attributes
    ----------
    facts : FrameFacts
        Of the frame.
    small : ndarray
        `BEFORE_WIDTH` wide, or the frame itself if smaller.
    reduced : ndarray
        `REDUCED_WIDTH` wide, or the frame itself if smaller.
    """

    facts: FrameFacts
    small: Rows
    reduced: Rows


def frame_light(surveyed_job: SurveyedJob, planned: Planned) -> FrameLight:
    """Light of a frame: as the look kept it, or read anew if its source is set otherwise by now.

    Nothing is written.

    Raises
    ------
    StageError
        If it must be read anew and cannot.
    """
    key, surveyed = planned.key, surveyed_job.surveyed[planned.key]
    if planned.source == source_as_surveyed(surveyed_job, key):
        files = planned.small_files(surveyed_job.job, surveyed.source, surveyed.facts, BEFORE_WIDTH)
        small = cached_small(files.at(files.small), surveyed.facts.width)
        if small is not None:
            reduced = cached_reduced(files.at(files.reduced), surveyed.facts.width)
            if reduced is None:
                reduced = reduce_rows(small, min(small.shape[1], REDUCED_WIDTH))
            return FrameLight(surveyed.facts, small, reduced)
    with opened_frame(planned.files(surveyed_job.job), planned.source, StageTimer()) as reader:
        light = reductions(reader, source=planned.source[0])
        return FrameLight(reader.facts, as_small(light.before), light.reduced)


def source_as_surveyed(surveyed_job: SurveyedJob, key: FrameKey) -> tuple[str, Any]:
    """The source stage of a frame and its settings, as they were when the job was looked at."""
    settings = surveyed_job.recipe.settings(key)
    return settings.order[0], settings.stages[settings.order[0]]


def given_as_surveyed(surveyed_job: SurveyedJob, key: FrameKey, stage: str) -> Any:
    """Settings with which a stage was solved for a frame when the job was looked at; None if it was not."""
    settings = surveyed_job.recipe.settings(key)
    if stage not in settings.order:
        return None
    return loaded_stage(stage).settings_for_survey(settings.stages[stage])


def seen_of(light: FrameLight, stage: str, given: Any) -> Any:
    """What a stage sees of a frame with the settings that its survey is handed.

    Raises
    ------
    StageError
        If it fails.
    """
    with StageTimer().on(stage):
        return loaded_stage(stage).survey(Frame(light.reduced.copy(), light.facts), given)
