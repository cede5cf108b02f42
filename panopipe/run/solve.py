"""The joint solutions of a job: from what was seen of each frame to one solution for each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from panopipe.errors import StageError
from panopipe.frame import FrameFacts, FrameKey
from panopipe.job import Job
from panopipe.pipeline.steps import StageTimer
from panopipe.registry import loaded_stage
from panopipe.run.plan import Planned, solved_fingerprint, survey_fingerprint
from panopipe.stage import JobFacts, Observation, Solution
from panopipe.state.ledger import Ledger
from panopipe.state.serialization import digest, loads, packages_of

Looks = Mapping[FrameKey, tuple[str, FrameFacts]]


@dataclass(slots=True)
class Solved:
    """Joint solutions by frame and stage, and what went wrong.

    Attributes
    ----------
    by_frame : dict of FrameKey to dict of str to Solution
        Solutions.
    errors : dict of FrameKey to str
        Frames that cannot go on, with the line that says why.
    remarks : list of str
        What the photographer should know.
    fingerprints : set of str
        Of the solutions in use.
    """

    by_frame: dict[FrameKey, dict[str, Solution]] = field(default_factory=dict)
    errors: dict[FrameKey, str] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)
    fingerprints: set[str] = field(default_factory=set)


def solve_all(job: Job, frames: Mapping[FrameKey, Planned], surveyed: Looks, ledger: Ledger) -> Solved:
    """Solve for every stage that surveys; from the ledger where nothing changed.

    Parameters
    ----------
    job : Job
        The job.
    frames : mapping of FrameKey to Planned
        All its frames.
    surveyed : mapping of FrameKey to (fingerprint, FrameFacts)
        Frames that were looked at.
    ledger : Ledger
        Holds what was seen, and keeps what is solved.
    """
    solved = Solved()
    reference = job.reference
    if reference is not None and reference not in surveyed:
        solved.remarks.append(
            f"the white reference {reference} could not be opened; white is solved without it"
        )
        reference = None
    stages = dict.fromkeys(name for key in surveyed for name, _ in frames[key].surveys)
    for stage in stages:
        given = {
            key: dict(frames[key].surveys)[stage] for key in surveyed if stage in dict(frames[key].surveys)
        }
        try:
            solutions = _solve(job, stage, given, surveyed, ledger, reference, solved)
        except StageError as error:
            solved.errors.update(dict.fromkeys(given, str(error)))
            continue
        for key in given:
            solved.by_frame.setdefault(key, {})[stage] = solutions.get(key, Solution())
    return solved


def facts_for_solving(job: Job, reference: FrameKey | None) -> JobFacts:
    """What the joint solution of a job may know; `reference` is left out where it could not be opened."""
    return JobFacts(job.rooms, reference, job.links, job.north)


def _solve(
    job: Job,
    stage: str,
    given: Mapping[FrameKey, Any],
    surveyed: Looks,
    ledger: Ledger,
    reference: FrameKey | None,
    solved: Solved,
) -> Mapping[FrameKey, Solution]:
    seen = {key: survey_fingerprint(surveyed[key][0], stage, settings) for key, settings in given.items()}
    fingerprint = solved_fingerprint(job, stage, seen, reference)
    solved.fingerprints.add(fingerprint)
    loaded = loaded_stage(stage)
    packages = packages_of(loaded)
    kept = ledger.solved(fingerprint, packages)
    if kept is not None:
        return kept
    observed: dict[FrameKey, Observation[Any]] = {}
    for key, settings in given.items():
        try:
            observed[key] = Observation(loads(ledger.seen(seen[key]), packages), settings, surveyed[key][1])
        except (KeyError, ValueError) as error:
            solved.errors[key] = f"what {stage} saw of it cannot be read again ({error}); run with --rehash"
    with StageTimer().on(stage):
        solutions = dict(loaded.solve(observed, facts_for_solving(job, reference)))
        for key, solution in solutions.items():
            if not isinstance(solution, Solution):
                raise TypeError(f"solve gave {type(solution).__name__} for {key}, not Solution")
        digest(solutions)  # plain data only; told here, with the name of the stage
    ledger.put_solved(fingerprint, solutions)
    return solutions
