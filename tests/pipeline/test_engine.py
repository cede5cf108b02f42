import time
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from panopipe.errors import StageError
from panopipe.frame import Band, FrameKey, Rows
from panopipe.pipeline.engine import band_rows, finish_frame, reduce_rows, reductions
from panopipe.pipeline.frame_pipeline import StageInputs
from panopipe.pipeline.steps import StageTimer, Step
from panopipe.stage import FrameReader, Prepared, Solution, StageContext
from tests.run.fakes import (
    Gain,
    GainSettings,
    Mirror,
    MirrorSettings,
    OpenedArray,
    Raw,
    RawSettings,
    light,
)

SINK = Step(Raw(), RawSettings())


def gain(ev: float = 1.0) -> Step:
    return Step(Gain(), GainSettings(ev))


def mirror(first: int = 60, last: int = 100) -> Step:
    return Step(Mirror(), MirrorSettings(first, last))


def pixels(reader: FrameReader, steps: list[Step], **options: object) -> Rows:
    finished = finish_frame(reader, [*steps, SINK], **options)
    return np.frombuffer(finished.outputs[0].data, np.float32).reshape(reader.facts.height, -1, 3)


@settings(max_examples=40, deadline=None)
@given(
    rows=st.integers(1, 48),
    spans=st.lists(st.tuples(st.integers(0, 100), st.integers(0, 100)), max_size=3),
)
def test_bands_and_whole_frames_give_the_same_bits(rows: int, spans: list[tuple[int, int]]) -> None:
    steps = [gain()]
    for first, last in spans:
        steps += [mirror(min(first, last), max(first, last)), gain(0.5)]
    whole = pixels(OpenedArray(light()), steps, whole=True)
    assert np.array_equal(whole, pixels(OpenedArray(light()), steps, rows_at_once=rows))


@pytest.mark.parametrize("width", [96, 1024, 1500])
def test_the_reduced_frame_follows_the_full_one(width: int) -> None:
    seen = []

    class Seeing(Gain):
        def prepare(self, context, settings):
            seen.append(context.reduced.rows)
            return Prepared()

    steps = [gain(), mirror(), gain(0.25), mirror(30, 81), gain(-0.5)]
    done = pixels(OpenedArray(light(width)), [*steps, Step(Seeing(), GainSettings())])
    reduced = reduce_rows(done, min(width, 1024))
    # Equal but for a span's edges, where a gain that grows down the frame acts on an averaged row.
    assert np.abs(seen[0] - reduced).max() <= 4 * np.abs(done).max() / width
    assert seen[0].mean() == pytest.approx(reduced.mean(), rel=1e-3)


def test_a_span_is_held_and_the_source_read_once_per_row() -> None:
    reader = OpenedArray(light())
    pixels(reader, [gain(), mirror(50, 100)], rows_at_once=8)
    rows = sorted(row for first, last in reader.read_rows for row in range(first, last))
    assert rows == list(range(48))


def test_a_stage_with_nothing_to_do_leaves_every_bit() -> None:
    assert np.array_equal(pixels(OpenedArray(light()), [gain(0), mirror(40, 40)]), light())


def test_findings_are_kept_by_stage() -> None:
    finished = finish_frame(OpenedArray(light()), [gain(), mirror(), SINK])
    assert finished.notes["source"] == {"opened_ev": 0.5}
    assert finished.notes["mirror"] == {"rows_changed": 20}
    assert finished.review_reasons == {"gain": ("a gain was set",), "mirror": ("mirrored",)}
    assert set(finished.stage_seconds) == {"source", "gain", "mirror", "raw"}


def test_the_correction_is_there_until_a_stage_applies_it() -> None:
    seen = []

    class Balancing(Gain):
        name = "balancing"

        def prepare(self, context, settings):
            seen.append(context.reduced.facts.correction)
            return Prepared(facts=replace(context.reduced.facts, correction=None))

    step = Step(Balancing(), GainSettings())
    given = StageInputs({"balancing": Solution(correction=np.eye(3) * 2)})
    finish_frame(OpenedArray(light()), [step, step, SINK], inputs=given)
    assert np.array_equal(seen[0], np.eye(3) * 2)
    assert seen[1] is None


def test_neighbours_come_as_the_solution_asks() -> None:
    other, gone = FrameKey("hall", "hall-02"), FrameKey("hall", "hall-03")
    asked = []

    def neighbour(key: FrameKey, stage: str, first: int, last: int) -> Band | None:
        asked.append((key, stage, first, last))
        reader = OpenedArray(np.ones((48, 96, 3), np.float32))
        return Band(reader.read(first, last), first, reader.facts) if key == other else None

    given = StageInputs({"mirror": Solution(neighbours=(other, gone))}, neighbour=neighbour)
    plain = pixels(OpenedArray(light()), [mirror()])
    assert asked == []
    helped = pixels(OpenedArray(light()), [mirror()], inputs=given)
    assert asked == [(other, "mirror", 28, 48), (gone, "mirror", 28, 48)]
    assert np.allclose(helped[28:], plain[28:] + 1, atol=1e-6)


def test_neighbours_that_a_stage_does_not_look_at_are_not_made() -> None:
    class Alone(Mirror):
        name = "alone"

        def prepare(self, context: StageContext, settings: MirrorSettings) -> Prepared[Any]:
            return super().prepare(replace(context, neighbours={}), settings)

    def neighbour(*_: object) -> Band | None:
        raise AssertionError("nobody asked")

    given = StageInputs({"alone": Solution(neighbours=(FrameKey("hall", "hall-02"),))}, neighbour=neighbour)
    alone = pixels(OpenedArray(light()), [Step(Alone(), MirrorSettings(60, 100))], inputs=given)
    assert np.array_equal(alone, pixels(OpenedArray(light()), [mirror()]))


def test_a_stage_is_not_charged_for_what_it_asks_others_for() -> None:
    timer = StageTimer()

    def work() -> None:
        started = time.thread_time()
        while time.thread_time() < started + 0.02:
            pass

    began = time.thread_time()
    with timer.on("floor"):
        with timer.on("source"), timer.on("tone"):
            work()
        with timer.on("source"):
            pass
    took = time.thread_time() - began
    assert timer.seconds["tone"] >= 0.02
    assert 0 <= timer.seconds["floor"] + timer.seconds["source"] <= took - timer.seconds["tone"]


class Broken(Gain):
    name = "broken"

    def prepare(self, look, settings):
        return Prepared(1)


def _raises(_: Band) -> Rows:
    raise ZeroDivisionError("by nothing")


BREAKS = {
    "gave float32 (7, 96, 3) where float32 (8": lambda band: band.rows[: 7 if len(band.rows) == 8 else 48],
    "gave float64": lambda band: band.rows.astype(np.float64),
    "gave NoneType": lambda band: None,
    "no numbers (row 1 of": lambda band: np.where(np.arange(len(band.rows))[:, None, None] == 1, np.nan, band.rows).astype(np.float32),  # noqa: E501
    "ZeroDivisionError: by nothing": _raises,
}  # fmt: skip


@pytest.mark.parametrize("says", BREAKS)
def test_a_stage_that_breaks_the_contract_is_named(says: str) -> None:
    stage = Broken()
    stage.apply = lambda band, settings, prepared: BREAKS[says](band)
    with pytest.raises(StageError) as caught:
        finish_frame(OpenedArray(light()), [Step(stage, GainSettings()), SINK], rows_at_once=8)
    assert caught.value.stage == "broken"
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_span_outside_the_frame_is_refused() -> None:
    class Wide(Mirror):
        def span(self, facts, settings):
            return 0, facts.height + 1

    with pytest.raises(StageError, match="rows 0 to 49 of 48"):
        finish_frame(OpenedArray(light()), [Step(Wide(), MirrorSettings()), SINK])


def test_a_sink_that_makes_other_files_than_it_said_is_refused() -> None:
    class Other(Raw):
        def outputs(self, settings):
            return (".other",)

    with pytest.raises(StageError, match=r"made \.raw, not"):
        finish_frame(OpenedArray(light()), [Step(Other(), RawSettings())])


def test_steps_must_end_with_a_sink() -> None:
    with pytest.raises(ValueError, match="the last stage must be one that makes files"):
        finish_frame(OpenedArray(light()), [gain()])


def test_reductions_of_small_frames_are_the_frame() -> None:
    found = reductions(OpenedArray(light(96)))
    assert np.array_equal(found.before, light(96))
    assert np.array_equal(found.reduced, light(96))


def test_bands_are_of_8_to_32_rows() -> None:
    assert [band_rows(width) for width in (512, 6144, 12000, 40000)] == [32, 32, 16, 8]


class Secretive(Gain):
    """Notes and reasons that nobody could keep or read."""

    name = "secretive"
    noted: Any = None
    reasons: Any = ()

    def prepare(self, context: StageContext, settings: GainSettings) -> Prepared:
        return Prepared(None, {"mean": self.noted}, self.reasons)


@pytest.mark.parametrize("value", [object(), {"a": 1}, None, b"x", np.zeros(3)])
def test_a_note_that_cannot_be_kept_names_its_stage(value: Any) -> None:
    """A fault once seen: the run ended, and named neither frame nor stage."""
    stage = Secretive()
    stage.noted = value
    with pytest.raises(StageError, match=r'secretive: noted "mean" as .*; notes are numbers or text'):
        finish_frame(OpenedArray(light()), [Step(stage, GainSettings()), Step(Raw(), RawSettings())])


def test_a_number_of_an_array_library_becomes_a_plain_one() -> None:
    stage = Secretive()
    stage.noted = np.float32(0.5)
    done = finish_frame(OpenedArray(light()), [Step(stage, GainSettings()), Step(Raw(), RawSettings())])
    assert type(done.notes["secretive"]["mean"]) is float


@pytest.mark.parametrize("reasons", ["look here", (1,), (None,)])
def test_reasons_that_are_no_sentences_name_their_stage(reasons: Any) -> None:
    stage = Secretive()
    stage.noted, stage.reasons = 1.0, reasons
    with pytest.raises(StageError, match="secretive: gave reasons to look that are no tuple of sentences"):
        finish_frame(OpenedArray(light()), [Step(stage, GainSettings()), Step(Raw(), RawSettings())])
