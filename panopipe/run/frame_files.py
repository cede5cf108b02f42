"""Files of a job from a worker's side: open a frame, hash, write inside the job only."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from panopipe.files.below import write_below
from panopipe.files.picture import read_patch
from panopipe.frame import Rows
from panopipe.job import inside
from panopipe.pipeline.engine import BEFORE_WIDTH
from panopipe.pipeline.steps import StageTimer
from panopipe.registry import loaded_source, loaded_stage
from panopipe.run.cache import cached_probe, cached_small
from panopipe.run.small_frame import SmallFrame
from panopipe.run.tasks import FrameFiles
from panopipe.stage import FrameReader, SourceStage
from panopipe.state.file_stamp import FileStamp
from panopipe.state.serialization import digest


def source_fingerprint(stamps: Mapping[str, FileStamp], source: tuple[str, Any]) -> str:
    """Fingerprint of a frame's light as it comes from its source."""
    name, settings = source
    hashes = [(path, stamp.sha256) for path, stamp in stamps.items()]  # in their order: the first is special
    return digest(hashes, name, loaded_stage(name).version, settings)


@contextlib.contextmanager
def opened_frame(files: FrameFiles, source: tuple[str, Any], timer: StageTimer) -> Iterator[FrameReader]:
    """A frame's files, open.

    Raises
    ------
    StageError
        If the source cannot open them.
    """
    name, settings = source
    stage = loaded_source(name)
    reader: FrameReader
    with timer.on(name):
        if files.small_of:
            light = cached_small(files.at(files.small), files.small_of.width)
            if light is None:  # damaged since it was kept
                with _opened(files, stage, settings) as reader:
                    light = reader.reduced(min(reader.facts.width, BEFORE_WIDTH))
            reader = SmallFrame(light, files.small_of, files.width)
        else:
            reader = _opened(files, stage, settings)
    with reader:
        yield reader


def _opened(files: FrameFiles, stage: SourceStage[Any], settings: Any) -> FrameReader:
    paths = [files.at(path) for path in files.paths]
    return stage.open(paths, files.key, settings, **cached_probe(files, stage))


def put_inside(files: FrameFiles, path: str, data: bytes | memoryview, *, lasting: bool = True) -> Path:
    """Write a file of the job, and return its path; see `write_below`."""
    write_below(Path(files.folder), path, data, lasting=lasting)
    return files.at(path)


def pictures_of(folder: Path, names: Mapping[str, Mapping[str, str]]) -> dict[str, dict[str, Rows]]:
    """Pictures that settings name, by stage and setting.

    Raises
    ------
    ValueError
        If one leads out of the job folder, or is no picture.
    OSError
        If one cannot be read.
    """
    read: dict[str, dict[str, Rows]] = {}
    for stage, by_setting in names.items():
        for setting, name in by_setting.items():
            if not inside(folder, folder / name):
                raise ValueError(f"{stage}: {name} leads out of the job folder")
            read.setdefault(stage, {})[setting] = read_patch(folder / name)
    return read
