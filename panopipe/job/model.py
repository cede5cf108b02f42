"""What a job is: rooms, frames, the files a frame is made of, the facts of the shoot."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from panopipe.frame import FrameKey
from panopipe.job.delivery_facts import DeliveryFacts
from panopipe.job.names import composed, nearest
from panopipe.stage import JudgedTake, LinkByHand, Rights

ORIGINALS, FINISHED, OVERRIDES = "originals", "finished", "overrides"
JOB_FILE, RECIPE_FILE = "job.toml", "recipe.toml"
WORKING, REVIEW, LOGS, PROOFS, SET_ASIDE = ".panopipe", "review", "logs", "proofs", "set-aside"
DELIVERY = "delivery"
"""Where deliveries lie that were not wanted elsewhere."""

KINDS = (".dng", ".tif", ".tiff", ".png", ".jpg", ".jpeg")
"""Files that can be a frame; of two with the same name the earlier kind is the frame."""
KINDS_IN_WORDS = ", ".join(kind.removeprefix(".") for kind in KINDS)


class NoSuchFrameError(ValueError):
    """No frame of a job has a name that was given."""


@dataclass(frozen=True, slots=True)
class SourceFile:
    """One file of a frame.

    Attributes
    ----------
    path : str
        Relative to the job folder, with `/` between parts.
    """

    path: str


@dataclass(frozen=True, slots=True)
class FrameEntry:
    """A frame of the job and the files it is made of.

    Attributes
    ----------
    key : FrameKey
        Room and name; the room is "" when no folder and no job file names one.
    files : tuple of SourceFile
        At least one.
    refused : str
        Why this frame cannot be taken, or empty. It costs this frame, not the job.
    set_aside : tuple of str
        Other takes of its stand, relative to the job folder: kept, and not finished.
    """

    key: FrameKey
    files: tuple[SourceFile, ...]
    refused: str = ""
    set_aside: tuple[str, ...] = ()


EXPOSURES, TAKES = "exposures", "takes"
"""What the files of a group are to each other."""


@dataclass(frozen=True, slots=True)
class Group:
    """Files that are one frame together.

    Attributes
    ----------
    kind : str
        "exposures": they are merged. "takes": one is finished, the others are set aside.
    files : tuple of str
        Relative to the job folder; the first gives the frame its name and, of exposures, its facts.
    said : str
        The group in words.
    by_hand : bool
        Whether the job file says so.
    chosen : str
        Of takes, the file that is finished; empty until they were judged, which stands for the first.
    takes : tuple of JudgedTake
        What was found on each, in the order of `files`; empty until they were judged.
    doubt : str
        Why the choice is not clear; empty if it is.
    preferred : bool
        Whether the job file prefers the chosen one.
    """

    kind: str
    files: tuple[str, ...]
    said: str = ""
    by_hand: bool = False
    chosen: str = ""
    takes: tuple[JudgedTake, ...] = ()
    doubt: str = ""
    preferred: bool = False

    @property
    def used(self) -> tuple[str, ...]:
        """Files that the frame is made of."""
        return (self.chosen or self.files[0],) if self.kind == TAKES else self.files

    @property
    def set_aside(self) -> tuple[str, ...]:
        """Files that are kept and not finished."""
        return tuple(path for path in self.files if path not in self.used)


@dataclass(frozen=True, slots=True)
class Job:
    """A job folder as it was found.

    Attributes
    ----------
    folder : Path
        The job folder, absolute, links resolved.
    frames : mapping of FrameKey to FrameEntry
        In walking order: rooms and names sorted as a person counts (2 before 10).
    rights : Rights
        Title, rights and contact from the job file.
    reference : FrameKey or None
        The frame whose white the photographer trusts.
    remarks : tuple of str
        What was left out or deserves a word, one line each.
    unread : mapping of str to str
        Room folders that cannot be read, relative to the job folder, and why. It costs their frames, not the
        job.
    unread_rooms : frozenset of str
        Rooms that may have frames in these folders.
    alone : mapping of FrameKey to FrameEntry
        Every file as a frame of its own, before any were put together; empty where nobody looked.
    by_hand, groups : tuple of Group
        Files that are one frame: as the job file says, and all that are in force.
    separate : frozenset of FrameKey
        Frames that the job file keeps out of any group.
    delivery : DeliveryFacts
        How the job file wants the pictures handed over.
    preferred : tuple of FrameKey
        Takes that the job file prefers.
    links : tuple of LinkByHand
        Links between frames that the job file corrects.
    north : mapping of FrameKey to float
        Headings of the middle of frames' files from true north, in degrees.
    """

    folder: Path
    frames: Mapping[FrameKey, FrameEntry]
    rights: Rights = field(default_factory=Rights)
    reference: FrameKey | None = None
    remarks: tuple[str, ...] = ()
    unread: Mapping[str, str] = field(default_factory=dict)
    unread_rooms: frozenset[str] = frozenset()
    alone: Mapping[FrameKey, FrameEntry] = field(default_factory=dict)
    by_hand: tuple[Group, ...] = ()
    groups: tuple[Group, ...] = ()
    separate: frozenset[FrameKey] = frozenset()
    delivery: DeliveryFacts = field(default_factory=DeliveryFacts)
    preferred: tuple[FrameKey, ...] = ()
    links: tuple[LinkByHand, ...] = ()
    north: Mapping[FrameKey, float] = field(default_factory=dict)

    @property
    def title(self) -> str:
        """Title of the shoot, or empty."""
        return self.rights.title

    @property
    def rooms(self) -> dict[str, tuple[FrameKey, ...]]:
        """Frames of each room, in walking order."""
        keys_by_room: dict[str, list[FrameKey]] = {}
        for key in self.frames:
            keys_by_room.setdefault(key.room, []).append(key)
        return {room: tuple(keys) for room, keys in keys_by_room.items()}

    def key(self, text: str) -> FrameKey:
        """Frame that `ROOM/FRAME` (or a frame's name that only one room has) names.

        The name of a file that is part of a frame means that frame. `./FRAME` is a frame of no room.

        Raises
        ------
        ValueError
            If there is none or more than one; the message names the nearest.
        """
        bare = text.removeprefix("./")
        wanted = composed(bare)
        spelled = {composed(str(key)): key for key in self.frames}
        if wanted in spelled:
            return spelled[wanted]
        within = {member: key for key, members in self.members.items() for member in members}
        names = [*self.frames, *within]
        if inside := [within[key] for key in within if composed(str(key)) == wanted]:
            return inside[0]
        short = bare == text
        alone = list(dict.fromkeys(within.get(k, k) for k in names if short and composed(k.name) == wanted))
        if len(alone) == 1:
            return alone[0]
        if alone:
            raise ValueError(f"{text} is a frame of several rooms: {', '.join(str(key) for key in alone)}")
        if short and any(composed(room) == wanted for room in self.rooms):
            raise ValueError(
                f"{text} is a room; name one of its frames, such as {self.rooms[self.room(text)][0]}"
            )
        if self.is_of_unread(text):
            raise ValueError(f"no frame {text} can be told now: {self._unread_folders()} cannot be read")
        raise NoSuchFrameError(f"no frame {text} in this job{nearest(text, spelled)}")

    def group(self, key: FrameKey) -> Group | None:
        """Files that a frame is made of, where there are several."""
        return dict(zip(self.members, self.groups, strict=True)).get(key)

    @property
    def members(self) -> dict[FrameKey, tuple[FrameKey, ...]]:
        """By frame that is made of several files: the names that the others had."""
        by_path = {entry.files[0].path: key for key, entry in self.alone.items()}
        found = {}
        for group in self.groups:
            first, *others = (by_path[path] for path in group.files)
            found[first] = tuple(others)
        return found

    def is_of_unread(self, text: str) -> bool:
        """Whether what `ROOM/FRAME` or a room's name means may lie in a folder that cannot be read."""
        return composed(text.partition("/")[0]) in map(composed, self.unread_rooms)

    def is_unread(self, path: str) -> bool:
        """Whether a file, relative to the job folder, lies in a folder that cannot be read."""
        return any(path.startswith(f"{folder}/") for folder in self.unread)

    def _unread_folders(self) -> str:
        return ", ".join(self.unread)

    def room(self, text: str) -> str:
        """Room of that name.

        Raises
        ------
        ValueError
            If there is none; the message names the nearest.
        """
        for room in self.rooms:
            if composed(room) == composed(text):
                return room
        if self.is_of_unread(text):
            raise ValueError(
                f"no frame of room {text} can be told now: {self._unread_folders()} cannot be read"
            )
        known = ", ".join(room for room in self.rooms if room) or "none; its frames lie in no folder"
        raise ValueError(f"no room {text} in this job{nearest(text, self.rooms)} (rooms: {known})")
