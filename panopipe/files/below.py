"""Writing and deleting below a folder, never beyond it: every file that panopipe makes, moves or removes.

A folder comes from anywhere, and a name in it may be a link. Each name on the way is therefore opened by the
handle of the folder that holds it, and links are not followed; they cannot be put there meanwhile, either, as
no path is looked up twice. Where the system has no such handles (Windows), each name is looked at just before
it is used: a link made in that very moment would be followed there.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import secrets
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

HAS_HANDLES = {os.open, os.mkdir, os.unlink, os.rmdir, os.rename, os.stat, os.link} <= os.supports_dir_fd
"""Whether names can be looked up by the handle of their folder."""

_FOLDER = os.O_RDONLY | getattr(os, "O_DIRECTORY", 0) | getattr(os, "O_NOFOLLOW", 0)
_PLAIN = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0)
_PART = re.compile(r"\.[0-9a-f]{16}\.part")


@dataclass(frozen=True, slots=True)
class Place:
    """A name in a folder: as the functions of `os` want it, with the folder's handle if there is one."""

    name: str
    handle: int | None

    def sibling(self, name: str) -> Place:
        """Another name in the same folder."""
        beside = name if self.handle is not None else str(Path(self.name).with_name(name))
        return Place(beside, self.handle)

    def opened(self, flags: int) -> int:
        """Open a plain file; a link, a pipe or a device is refused.

        Raises
        ------
        OSError
            If it cannot be opened.
        """
        handle = os.open(self.name, flags | _PLAIN, 0o666, dir_fd=self.handle)
        if stat.S_ISREG(os.fstat(handle).st_mode):
            return handle
        os.close(handle)
        raise OSError(errno.EINVAL, "is no plain file")

    def is_link(self) -> bool:
        """Whether it is a link (or a junction); false if nothing has the name."""
        try:
            status = os.stat(self.name, dir_fd=self.handle, follow_symlinks=False)
        except FileNotFoundError:
            return False
        return stat.S_ISLNK(status.st_mode) or bool(getattr(status, "st_reparse_tag", 0))


def write_below(root: Path, name: str, data: bytes | memoryview, *, lasting: bool = True) -> None:
    """Write a file whole or not at all, and the folders on the way to it.

    The bytes go to a new file in the same folder and reach the disk before that file takes the name; after a
    crash or a power cut there is the old file or the new one. A link of that name is replaced, its target is
    left alone.

    Parameters
    ----------
    root : Path
        A folder; it must exist, and may be reached by links.
    name : str
        The file relative to it, with `/` between parts.
    data : bytes or memoryview
        The whole content.
    lasting : bool
        Whether the new name is on the disk, too, when this returns. Leave it out for what can be made again.

    Raises
    ------
    ValueError
        If the name leads out of the folder, or through a link or a file.
    OSError
        If it cannot be written; nothing is left behind and an older file stays.
    """
    with place_below(root, name, make=True) as place:
        part = place.sibling(f".{secrets.token_hex(8)}.part")  # short: long names stay possible
        try:
            with os.fdopen(part.opened(os.O_WRONLY | os.O_CREAT | os.O_EXCL), "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            os.replace(part.name, place.name, src_dir_fd=part.handle, dst_dir_fd=place.handle)
        except BaseException as error:
            _unlinked(part)
            if isinstance(error, OSError) and error.strerror:
                # Of the file that was asked for, not of the one on the way to it.
                raise OSError(error.errno, error.strerror, str(root / name)) from error
            raise
        if lasting and place.handle is not None:
            with contextlib.suppress(OSError):  # some network file systems refuse this for folders
                os.fsync(place.handle)


def make_below(root: Path, name: str) -> None:
    """Make a folder and those on the way to it, where they are missing.

    Raises
    ------
    ValueError
        If the name leads out of the folder, or through a link or a file.
    OSError
        If one cannot be made.
    """
    with place_below(root, f"{name}/x", make=True):
        pass


def open_below(root: Path, name: str, flags: int) -> int:
    """Open a file by the flags of `os.open`, making the folders on the way if it may be created.

    Raises
    ------
    ValueError
        If the name leads out of the folder, or it is a link or passes through one.
    OSError
        If it cannot be opened.
    """
    with place_below(root, name, make=bool(flags & os.O_CREAT)) as place:
        if place.is_link():
            raise ValueError(_by_link(name))
        return place.opened(flags)


def remove_below(root: Path, name: str) -> bool:
    """Remove a file, or a link itself; whether it is gone. Nothing that a link leads to is ever removed."""
    try:
        with place_below(root, name) as place:
            return _unlinked(place)
    except FileNotFoundError:
        return True
    except (OSError, ValueError):
        return False


def move_below(root: Path, name: str, goal: str) -> None:
    """Give a file another name below the same folder; a file of that name is replaced.

    Raises
    ------
    ValueError
        If a name leads out of the folder, or through a link or a file.
    OSError
        If it cannot be moved.
    """
    with place_below(root, name) as old, place_below(root, goal, make=True) as new:
        os.replace(old.name, new.name, src_dir_fd=old.handle, dst_dir_fd=new.handle)


def name_below(root: Path, name: str, goal: str) -> None:
    """Give a file another name, and refuse to put it in the place of another.

    Raises
    ------
    ValueError
        If a name leads out of the folder, or through a link or a file.
    FileExistsError
        If there is a file of that name.
    OSError
        If it cannot be named so.
    """
    with place_below(root, name) as old, place_below(root, goal, make=True) as new:
        try:
            # A link cannot take the place of a file that appeared meanwhile, as a rename would.
            os.link(old.name, new.name, src_dir_fd=old.handle, dst_dir_fd=new.handle, follow_symlinks=False)
        except FileExistsError:
            raise
        except (OSError, NotImplementedError):  # a file system without links
            with contextlib.suppress(FileNotFoundError):
                os.stat(new.name, dir_fd=new.handle, follow_symlinks=False)
                raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), goal) from None
            os.rename(old.name, new.name, src_dir_fd=old.handle, dst_dir_fd=new.handle)
            return
        _unlinked(old)


def link_below(root: Path, name: str, goal: str) -> bool:
    """Give a file a second name, so that its bytes are in both places without a copy; whether it has it.

    Raises
    ------
    ValueError
        If a name leads out of the folder, or through a link or a file.
    """
    try:
        with place_below(root, name) as old, place_below(root, goal, make=True) as new:
            os.link(old.name, new.name, src_dir_fd=old.handle, dst_dir_fd=new.handle, follow_symlinks=False)
    except (OSError, NotImplementedError):  # a file system without links, or another file there
        return False
    return True


def remove_folder_below(root: Path, name: str) -> None:
    """Remove a folder and all that is in it; links in it are removed, and what they lead to stays.

    Raises
    ------
    OSError
        If something in it cannot be removed.
    """
    with place_below(root, f"{name}/x") as place:
        entries = [(entry.name, entry.is_dir(follow_symlinks=False)) for entry in _entries(place)]
    for child, is_folder in entries:
        if is_folder:
            remove_folder_below(root, f"{name}/{child}")
        elif not remove_below(root, f"{name}/{child}"):
            raise OSError(errno.EACCES, os.strerror(errno.EACCES), f"{name}/{child}")
    with place_below(root, name) as place:
        os.rmdir(place.name, dir_fd=place.handle)


def settle_below(root: Path, name: str) -> None:
    """Have the system put a folder's list of names on the disk, where it can be asked to."""
    with contextlib.suppress(OSError, ValueError), place_below(root, f"{name}/x" if name else "x") as place:
        if place.handle is not None:
            os.fsync(place.handle)


def files_below(root: Path, name: str) -> list[str]:
    """Names of the plain files in a folder; none if it is missing, or a link on the way to it."""
    try:
        with place_below(root, f"{name}/x") as place:
            return [entry.name for entry in _entries(place) if entry.is_file(follow_symlinks=False)]
    except (OSError, ValueError):
        return []


def sweep_parts(root: Path, name: str = "", *, deep: bool = True) -> None:
    """Remove what interrupted writing left in a folder and, if `deep`, below it; links are not followed."""
    within = f"{name}/" if name else ""
    with contextlib.suppress(OSError, ValueError):
        with place_below(root, f"{within}x") as place:
            entries = [(entry.name, entry.is_dir(follow_symlinks=False)) for entry in _entries(place)]
        for child, is_folder in entries:
            if is_folder and deep:
                sweep_parts(root, f"{within}{child}")
            elif not is_folder and _PART.fullmatch(child):
                remove_below(root, f"{within}{child}")


@contextlib.contextmanager
def place_below(root: Path, name: str, *, make: bool = False) -> Iterator[Place]:
    """Find the place of a name, its folder open while it is used.

    Parameters
    ----------
    root : Path
        A folder that exists.
    name : str
        Relative to it, with `/` between parts.
    make : bool
        Whether to make folders that are missing on the way.

    Raises
    ------
    ValueError
        If the name leads out of the folder, or through a link or a file.
    OSError
        If a folder on the way is missing or cannot be opened.
    """
    *folders, last = _parts(name)
    if not HAS_HANDLES:
        yield _looked_up(root, folders, last, make=make)
        return
    handle = os.open(root, _FOLDER & ~getattr(os, "O_NOFOLLOW", 0))
    try:
        for number, folder in enumerate(folders):
            inner = _entered(Place(folder, handle), "/".join(folders[: number + 1]), make=make)
            os.close(handle)
            handle = inner
        yield Place(last, handle)
    finally:
        os.close(handle)


def _entered(place: Place, name: str, *, make: bool) -> int:
    """Handle of a folder; made if it is missing."""
    if make:
        with contextlib.suppress(FileExistsError):
            os.mkdir(place.name, dir_fd=place.handle)
    try:
        return os.open(place.name, _FOLDER, dir_fd=place.handle)
    except OSError as error:
        if place.is_link():
            raise ValueError(_by_link(name)) from error
        if error.errno == errno.ENOTDIR:
            raise ValueError(_by_file(name)) from error
        raise


def _looked_up(root: Path, folders: list[str], last: str, *, make: bool) -> Place:
    """The same where folders have no handles: each name is looked at before the next."""
    here = root
    for number, folder in enumerate(folders):
        here = here / folder
        if Place(str(here), None).is_link():
            raise ValueError(_by_link("/".join(folders[: number + 1])))
        if here.exists() and not here.is_dir():
            raise ValueError(_by_file("/".join(folders[: number + 1])))
        if make:
            here.mkdir(exist_ok=True)
    return Place(str(here / last), None)


def _by_link(name: str) -> str:
    return (
        f"{name} is a link, which may lead out of the job folder; panopipe writes and removes inside it only"
    )


def _by_file(name: str) -> str:
    return f"{name}: is a file, and panopipe needs a folder of that name; move it away"


def _parts(name: str) -> tuple[str, ...]:
    parts = PurePosixPath(name).parts
    if not parts or name.startswith("/") or any(part in (".", "..") or "\0" in part for part in parts):
        raise ValueError(f"{name!a} is no name of a file inside the folder")
    if os.name == "nt" and any(re.search(r"[:\\]", part) for part in parts):
        raise ValueError(f"{name!a} is no name of a file inside the folder")
    return parts


def _entries(place: Place) -> list[os.DirEntry[str]]:
    with os.scandir(Path(place.name).parent if place.handle is None else place.handle) as entries:
        return list(entries)


def _unlinked(place: Place) -> bool:
    with contextlib.suppress(OSError):
        os.unlink(place.name, dir_fd=place.handle)
        return True
    return False
