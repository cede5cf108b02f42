"""One finished frame as a check sees it, and the commands that a check may offer."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TypeVar

from panopipe.frame import FrameKey
from panopipe.registry import loaded_stage
from panopipe.review.measure import Measures
from panopipe.review.references import TURNED, NoteName, SettingName
from panopipe.setting import rules
from panopipe.state.record import FrameRecord

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Case:
    """One finished frame with its siblings, as a check sees it.

    Attributes
    ----------
    record : FrameRecord
        What the run left.
    measures : Measures
        What its picture measures.
    room : mapping of FrameKey to Measures
        Finished frames of the same room, this one included.
    job : mapping of FrameKey to Measures
        All finished frames.
    double_of : FrameKey or None
        An earlier frame that shows the same, if there is one.
    """

    record: FrameRecord
    measures: Measures
    room: Mapping[FrameKey, Measures]
    job: Mapping[FrameKey, Measures]
    double_of: FrameKey | None = None
    likeness: float = 0.0

    def siblings(self, read: Callable[[Measures], T], *, fewest: int = 2) -> list[T]:
        """What the other frames of the room measure; of the job, if the room has fewer than `fewest`."""
        for group in (self.room, self.job):
            values = [read(measures) for key, measures in group.items() if key != self.record.key]
            if len(values) >= fewest:
                return values
        return []


def set_command(key: FrameKey, setting: SettingName | str, value: str) -> tuple[str, ...]:
    """Command that sets one value for one frame."""
    return ("panopipe", "set", "JOB", key.exact, f"{setting}={value}")


def run_command(key: FrameKey) -> tuple[str, ...]:
    """Command that makes one frame again."""
    return ("panopipe", "run", "JOB", "--frame", key.exact)


def accept_command(where: str, check: str) -> tuple[str, ...]:
    """Command that accepts what a check found on a frame, or on the job as a whole."""
    return ("panopipe", "accept", "JOB", where, check)


def tune_command(key: FrameKey) -> tuple[str, ...]:
    """Command that opens one frame to be tuned by eye."""
    return ("panopipe", "tune", "JOB", key.exact)


def noted(record: FrameRecord, note: NoteName | SettingName) -> float | str | None:
    """What a stage noted, or what it chose for a setting that was left to it; None if nothing."""
    stage, name = note
    return record.notes.get(stage, {}).get(name)


def number(record: FrameRecord, note: NoteName | SettingName) -> float | None:
    """The same as a number; None if there is no such number."""
    value = noted(record, note)
    return float(value) if isinstance(value, int | float) and math.isfinite(value) else None


def in_file(record: FrameRecord, yaw_deg: float) -> float:
    """Yaw in the frame's file of a direction in its finished picture, which may be turned."""
    return _wrapped(yaw_deg + (number(record, TURNED) or 0.0))


def in_finished(record: FrameRecord, yaw_deg: float) -> float:
    """Yaw in the finished picture of a direction in the frame's file."""
    return _wrapped(yaw_deg - (number(record, TURNED) or 0.0))


def _wrapped(angle_deg: float) -> float:
    return angle_deg if -180 <= angle_deg <= 180 else (angle_deg + 180) % 360 - 180


def in_force(record: FrameRecord, setting: SettingName) -> float:
    """A numeric setting as it was in force; what the stage chose, where it was left to it; else 0."""
    effective = record.settings.get(setting.stage, {}).get(setting.key)
    if effective and isinstance(effective.value, int | float):
        return float(effective.value)
    return number(record, setting) or 0.0


def change(case: Case, setting: SettingName, value: float) -> tuple[str, ...]:
    """Command that sets a number of a stage, held within the setting's own bounds.

    Empty where it would change nothing: the frame does not go through the stage, or the bound is reached.
    """
    if setting.stage not in case.record.order:
        return ()
    try:
        rule = rules(loaded_stage(setting.stage).Settings)[setting.key]
    except (KeyError, ImportError):  # another recipe, another stage of that name
        return ()
    low = rule.low if rule.low is not None else value
    high = rule.high if rule.high is not None else value
    held = min(max(value, low), high)
    at_bound = held != value and held == in_force(case.record, setting)
    return () if at_bound else set_command(case.record.key, setting, f"{held:.4g}")
