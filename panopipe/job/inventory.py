"""What lies in a job's folders, in one line; and whether the folders tell the rooms."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from panopipe.job.model import KINDS, ORIGINALS, Job


@dataclass(frozen=True, slots=True)
class Inventory:
    """Files of a job.

    Attributes
    ----------
    frames : int
        Frames.
    rooms : int
        Rooms that folders or the job file tell, the camera's own folders not among them.
    twins : int
        JPEGs that a camera put beside a raw file.
    others : int
        Other files that are left where they are.
    """

    frames: int
    rooms: int
    twins: int
    others: int

    def line(self, proposed: int = 0, unreadable: int = 0) -> str:
        """The same in words."""
        rooms = f"{proposed} rooms proposed" if proposed else _many(self.rooms, "room")
        parts = [_many(self.frames, "frame"), rooms, _many(self.twins, "JPEG twin")]
        parts.append(f"{_many(self.others, 'other file')} left")
        return ", ".join([*parts, f"{unreadable} unreadable"])


def inventory(job: Job) -> Inventory:
    """Count a job's files."""
    taken = {file.path for entry in (job.alone or job.frames).values() for file in entry.files}
    stems = {path.rpartition(".")[0] for path in taken}
    left = [path for path in _files(job) if path not in taken]
    twins = [path for path in left if _is_jpeg(path) and path.rpartition(".")[0] in stems]
    return Inventory(len(job.frames), len(named_rooms(job)), len(twins), len(left) - len(twins))


def named_rooms(job: Job) -> list[str]:
    """Rooms with a name that a person gave."""
    return sorted({key.named_room for key in job.frames} - {""})


def camera_rooms(job: Job) -> list[str]:
    """Rooms that only bear the name of a camera's folder."""
    return sorted({key.room for key in job.frames if key.room and not key.named_room})


def wants_rooms(job: Job) -> bool:
    """Whether some frames are in no room that a person named, and there are enough of them to part."""
    return sum(not key.named_room for key in job.frames) > 1


def _files(job: Job) -> Iterable[str]:
    top = job.folder / ORIGINALS
    folders = [top, *(path for path in top.iterdir() if path.is_dir())] if top.is_dir() else []
    for folder in folders if folders else [job.folder]:
        for path in _listed(folder):
            if folders or path.suffix.lower() in KINDS:
                yield path.relative_to(job.folder).as_posix()


def _listed(folder: Path) -> list[Path]:
    try:
        return sorted(path for path in folder.iterdir() if path.is_file() and not path.name.startswith("."))
    except OSError:
        return []


def _is_jpeg(path: str) -> bool:
    return path.lower().endswith((".jpg", ".jpeg"))


def _many(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"
