"""The journal of settings: what commands wrote into recipe and job files, so that it can be taken back.

It holds the files as they were and as they became. A file that was changed otherwise since is left alone.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from panopipe.errors import one_line
from panopipe.files.below import remove_below, write_below
from panopipe.files.regular import open_regular
from panopipe.files.toml import BYTE_ORDER_MARK, MOST_BYTES
from panopipe.job import JOB_FILE, OVERRIDES, RECIPE_FILE, WORKING, Job, inside
from panopipe.recipe.edit import (
    Change,
    as_held,
    check_content,
    setting_change,
    settings_locked,
    spelled,
    text_of,
    unsetting_change,
)

JOURNAL = f"{WORKING}/settings-journal.json"
MOST_STEPS = 100
"""Steps that are kept: an evening's work, and far from what would take long to read."""
_LARGEST = MOST_STEPS * MOST_BYTES


@dataclass(frozen=True, slots=True)
class Step:
    """What one command wrote.

    Attributes
    ----------
    said : str
        The command in words: `set lounge tone.shadows_ev=0.8`.
    changes : tuple of Change
        Of one file or of several.
    """

    said: str
    changes: tuple[Change, ...]


@dataclass(frozen=True, slots=True)
class Journal:
    """The steps, the oldest first, and how many of them stand; those after are taken back."""

    steps: tuple[Step, ...] = ()
    standing: int = 0

    def with_step(self, step: Step) -> Journal:
        """The same with one more step; what was taken back is forgotten."""
        steps = (*self.steps[: self.standing], step)[-MOST_STEPS:]
        return Journal(steps, len(steps))


def set_values(job: Job, where: str, assignments: Sequence[str]) -> Change:
    """Set values for the job, a room or a frame, all or none, and write them.

    Raises
    ------
    JobError, ValueError
        As `setting_change`; nothing is written.
    OSError
        If the file cannot be written.
    """
    return _written(
        job, f"set {where} {' '.join(assignments)}", lambda: setting_change(job, where, assignments)
    )


def unset_values(job: Job, where: str, names: Sequence[str]) -> Change:
    """Remove values from the file of the job, a room or a frame, all or none, and write it.

    Raises
    ------
    JobError, ValueError
        As `unsetting_change`; nothing is written.
    OSError
        If the file cannot be written.
    """
    said = f"unset {where} {' '.join(names)}"
    return _written(job, said, lambda: unsetting_change(job, where, names))


def _written(job: Job, said: str, work_out: Callable[[], Change]) -> Change:
    """Work out a change and write it, while nobody else writes settings."""
    with settings_locked(job):
        change = work_out()
        write_step(job, said, [change])
    return change


def change_job_file(job: Job, said: str, change: Callable[[str], str]) -> Step:
    """Write the job file as `change` makes it of its text, while nobody else writes settings.

    Raises
    ------
    ValueError
        If it leads out of the job folder, or `change` refuses it; nothing is written.
    OSError
        If it cannot be written.
    """
    if not inside(job.folder, job.folder / JOB_FILE):
        raise ValueError(f"{JOB_FILE} leads out of the job folder")
    with settings_locked(job):
        held = text_of(job.folder / JOB_FILE)
        content = as_held(change((held or "").removeprefix(BYTE_ORDER_MARK)), held or "")
        return write_step(job, said, [Change(JOB_FILE, difference(held, content), content, held)])


def write_step(job: Job, said: str, changes: Iterable[Change]) -> Step:
    """Write changes, all or none, and note them; call it with `settings_locked` held.

    Raises
    ------
    ValueError
        If a file is another by now than the one that its change was worked out from; nothing is written.
    OSError
        If a file cannot be written.
    """
    step = Step(said, tuple(change for change in changes if change.lines))
    for change in step.changes:
        if text_of(job.folder / change.file) != change.before:
            raise ValueError(
                f"{change.file} was changed meanwhile; nothing is written: give the command again"
            )
    if step.changes:
        _put_journal(job, read_journal(job).with_step(step))  # first: a crash leaves what can be taken back
        _write(job, step.changes)
    return step


def take_back(job: Job) -> Step:
    """Take the last step back that stands.

    Returns
    -------
    Step
        What was written now; its lines tell what changed.

    Raises
    ------
    ValueError
        If there is none, or one of its files was changed otherwise since.
    OSError
        If a file cannot be written.
    """
    with settings_locked(job):
        journal = read_journal(job)
        if not journal.standing:
            raise ValueError("nothing to take back: no command has written settings here")
        step = journal.steps[journal.standing - 1]
        back = Step(step.said, tuple(_turned(change) for change in step.changes))
        _move(job, back, replace(journal, standing=journal.standing - 1))
    return back


def put_again(job: Job) -> Step:
    """Write the step again that was taken back last.

    Raises
    ------
    ValueError, OSError
        As `take_back`.
    """
    with settings_locked(job):
        journal = read_journal(job)
        if journal.standing == len(journal.steps):
            raise ValueError("nothing to put back: no step is taken back")
        step = journal.steps[journal.standing]
        _move(job, step, replace(journal, standing=journal.standing + 1))
    return step


def read_journal(job: Job) -> Journal:
    """Read the journal; an empty one if there is none or it is none that panopipe wrote."""
    path = job.folder / JOURNAL
    try:
        if not inside(job.folder, path):
            return Journal()
        with open_regular(path) as file:
            kept = json.loads(file.read(_LARGEST).decode("utf-8"))
        steps = tuple(_step(job, plain) for plain in kept["steps"])
        standing = int(kept["standing"])
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return Journal()
    return Journal(steps, standing) if 0 <= standing <= len(steps) else Journal()


def difference(before: str | None, after: str | None) -> tuple[str, ...]:
    """Lines that tell one state of a file of settings from another."""
    old, new = dict(_values(before)), dict(_values(after))
    return tuple(_differences(old, new))


def _move(job: Job, step: Step, journal: Journal) -> None:
    """Bring the files of a step from before to after; those that are there already stay."""
    for change in step.changes:
        if text_of(job.folder / change.file) not in (change.before, change.content):
            raise ValueError(
                f'{change.file} was changed otherwise since "{step.said}"; it is left alone: mend it by hand'
            )
        if change.content is not None and change.file != JOB_FILE:
            check_content(job, change.file, change.content)
    _write(job, step.changes)
    _put_journal(job, journal)


def _write(job: Job, changes: Sequence[Change]) -> None:
    for change in changes:
        if change.content is None:
            remove_below(job.folder, change.file)
        else:
            write_below(job.folder, change.file, change.content.encode())


def _turned(change: Change) -> Change:
    return Change(
        change.file, difference(change.content, change.before), change.before, before=change.content
    )


def _put_journal(job: Job, journal: Journal) -> None:
    plain = {
        "steps": [
            {"said": step.said, "changes": [asdict(change) for change in step.changes]}
            for step in journal.steps
        ],
        "standing": journal.standing,
    }
    write_below(job.folder, JOURNAL, json.dumps(plain, indent=1).encode())


def _step(job: Job, plain: dict[str, Any]) -> Step:
    """A step from the journal of a job folder that a stranger may have made: files of settings only.

    Raises
    ------
    ValueError
        If it is none.
    """
    changes = []
    for change in plain["changes"]:
        file, before, content = change["file"], change["before"], change["content"]
        texts = (str(plain["said"]), file, *(text for text in (before, content) if text is not None))
        if not all(isinstance(text, str) for text in texts) or not _holds_settings(job, file):
            raise ValueError(f"{file!a} holds no settings")
        changes.append(Change(file, difference(before, content), content, before))
    return Step(str(plain["said"]), tuple(changes))


def _holds_settings(job: Job, file: str) -> bool:
    of_job = file in (RECIPE_FILE, JOB_FILE) or (file.startswith(f"{OVERRIDES}/") and file.endswith(".toml"))
    return of_job and ".." not in file.split("/") and inside(job.folder, job.folder / file)


def _values(text: str | None) -> Iterator[tuple[tuple[str, str], Any]]:
    try:
        tables = tomllib.loads((text or "").removeprefix(BYTE_ORDER_MARK))
    except tomllib.TOMLDecodeError as error:
        raise ValueError(one_line(error)) from error
    for table, values in tables.items():
        for key, value in values.items() if isinstance(values, dict) else [("", values)]:
            yield (table, key), value


def _differences(old: dict[tuple[str, str], Any], new: dict[tuple[str, str], Any]) -> Iterator[str]:
    for name in dict.fromkeys((*old, *new)):
        table, key = name
        place = f"[{table}] {key}" if key else table
        if name in old and (name not in new or old[name] != new[name]):
            yield f"- {place} = {spelled(old[name])}"
        if name in new and (name not in old or old[name] != new[name]):
            yield f"+ {place} = {spelled(new[name])}"
