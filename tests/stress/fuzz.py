"""Readers and the table of stages, fed by hypothesis: each takes it or says why not, and does no worse."""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import HealthCheck, given, seed, settings
from hypothesis import strategies as st

from panopipe.files.capture_time import capture_time
from panopipe.files.tiff import TAGS
from panopipe.files.toml import TomlError, parse_toml
from panopipe.frame import FrameKey
from panopipe.registry import contract_faults
from panopipe.stage import RowStage, SinkStage, SourceStage, SpanStage, Stage
from panopipe.stages.decode import Decode, DecodeSettings
from tests.makers.dng import Tag, write_linear_dng

SAMPLES = np.random.default_rng(1).integers(0, 60000, (16, 32, 3), dtype=np.uint16)
_FORMS: list[dict[str, Any]] = [
    {}, {"tile": (16, 16)}, {"compression": "ljpeg"}, {"compression": "deflate", "predictor": 2},
    {"compression": "lzw", "big_endian": True}, {"compression": "jpegxl"}, {"rows_per_strip": 5},
    {"thumbnail": True},
    {"linearization": range(0, 65536, 64)}, {"black": 64, "white": 60000, "orientation": 6},
]  # fmt: skip
_SLOWEST_S = 5.0
"""Nothing of 32 pixels may take longer."""

_numbers = st.one_of(
    st.integers(0, 70), st.integers(0, 2**16 - 1), st.sampled_from([2**31 - 1, 2**31, 2**32 - 1])
)
_tags = st.one_of(
    st.builds(Tag, st.sampled_from(sorted(TAGS)), st.just(3), st.lists(st.integers(0, 65535), max_size=9)),
    st.builds(Tag, st.sampled_from(sorted(TAGS)), st.just(4), st.lists(_numbers, max_size=9)),
    st.builds(
        Tag, st.sampled_from(sorted(TAGS)), st.just(5), st.lists(st.tuples(_numbers, _numbers), max_size=9)
    ),
    st.builds(Tag, st.sampled_from(sorted(TAGS)), st.sampled_from([1, 2, 7]), st.binary(max_size=40)),
)
_changes = st.lists(st.tuples(st.integers(0, 2**20), st.integers(0, 255)), max_size=4)

_odd = st.one_of(
    st.none(), st.integers(-5, 5), st.text(max_size=9), st.binary(max_size=4), st.just(object()), st.floats(),
    st.just(lambda *_: None), st.just(type), st.just(property(lambda self: 1 / 0)), st.just(DecodeSettings),
    st.dictionaries(st.text(max_size=4), st.integers(), max_size=2),
)  # fmt: skip
_ATTRIBUTES = (
    "name", "version", "summary", "Settings", "surveys", "notes", "survey", "solve", "prepare", "apply",
    "open", "start", "outputs", "span", "margin",
)  # fmt: skip


def fuzz_all(examples: int, first: int = 1) -> list[str]:
    """Try so many examples of each; return the lines of the table."""
    tally: Counter[str] = Counter()
    faults: list[str] = []
    with tempfile.TemporaryDirectory() as folder:
        _tried(examples, first, faults, "frames", lambda: _fuzz_frames(Path(folder), tally))
    _tried(examples, first, faults, "classes", lambda: _fuzz_classes(tally))
    _tried(examples, first, faults, "texts", lambda: _fuzz_texts(tally))
    lines = [f"{what:34} {found:6}" for what, found in tally.items()]
    return [*lines, f"{'faults':34} {len(faults):6}", *faults]


def _tried(
    examples: int,
    first: int,
    faults: list[str],
    what: str,
    make: Callable[[], Callable[[], None]],
) -> None:
    test = settings(
        max_examples=examples,
        deadline=None,
        database=None,
        report_multiple_bugs=False,
        suppress_health_check=list(HealthCheck),
    )(seed(first)(make()))
    started = time.monotonic()
    try:
        test()
    except Exception as error:  # hypothesis has found the smallest example, and tells it on its notes
        notes = " ".join(getattr(error, "__notes__", ()))
        faults.append(f"fault in {what}: {type(error).__name__}: {error} {notes}"[:2000])
    print(f"{what}: {time.monotonic() - started:.0f} s", file=sys.stderr, flush=True)


def _fuzz_frames(folder: Path, tally: Counter[str]) -> Callable[[], None]:
    path = folder / "a.dng"

    @given(st.sampled_from(_FORMS), st.lists(_tags, max_size=3), _changes)
    def frames(form: dict[str, Any], tags: list[Tag], changes: list[tuple[int, int]]) -> None:
        tally["frames tried"] += 1
        try:
            write_linear_dng(path, SAMPLES, replaced={tag.code: tag for tag in tags}, extra=tags, **form)
        except Exception:  # what the maker itself cannot put into a file
            return
        data = bytearray(path.read_bytes())
        for place, value in changes:
            data[-1 - place % min(len(data), 900)] = value  # the directories stand at the end
        path.write_bytes(data)
        started = time.process_time()
        try:
            with Decode().open([path], FrameKey("a", "b"), DecodeSettings()) as reader:
                assert np.all(np.isfinite(reader.read(0, reader.facts.height)))
            tally["frames read"] += 1
        except (ValueError, OSError) as error:
            assert "\n" not in str(error)
            tally["frames refused"] += 1
        capture_time(path)
        assert time.process_time() - started < _SLOWEST_S

    return frames


def _fuzz_classes(tally: Counter[str]) -> Callable[[], None]:
    bases = st.sampled_from([object, Stage, RowStage, SpanStage, SourceStage, SinkStage])
    attributes = st.dictionaries(st.sampled_from(_ATTRIBUTES), _odd, max_size=8)

    @given(st.text(max_size=6), bases, attributes)
    def classes(name: str, base: type, held: dict[str, Any]) -> None:
        tally["classes tried"] += 1
        faults = list(contract_faults(name, type("Odd", (base,), held)))
        assert all(isinstance(fault, str) and "\n" not in fault for fault in faults)
        assert faults  # none of these can be a whole stage

    return classes


def _fuzz_texts(tally: Counter[str]) -> Callable[[], None]:
    words = st.sampled_from(
        ["[", "]", "[[", "a", ".", "=", '"', "'", '"""', "\n", " ", "1", "{", "}", ",", "#", "\\"]
    )

    @given(
        st.one_of(st.binary(max_size=200), st.lists(words, max_size=60).map(lambda w: "".join(w).encode()))
    )
    def texts(data: bytes) -> None:
        tally["texts tried"] += 1
        try:
            parse_toml(data)
            tally["texts read"] += 1
        except TomlError as error:
            assert "\n" not in str(error)

    return texts
