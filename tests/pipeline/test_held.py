"""A held frame: the bits of a run, and no stage works that does nothing new."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from panopipe.frame import Band, Rows
from panopipe.pipeline.engine import finish_frame
from panopipe.pipeline.frame_pipeline import FramePipeline
from panopipe.pipeline.held import HeldFrame, HeldStep, Shown, Superseded
from panopipe.pipeline.steps import Step
from panopipe.stage import Applied, Rights
from tests.run.fakes import Gain, GainSettings, Mirror, MirrorSettings, OpenedArray, Raw, RawSettings, light

SINK = Step(Raw(), RawSettings())


class Second(Gain):
    """The same under another name: a stage stands once in an order."""

    name = "second"


def chain(first_ev: float, rows: tuple[int, int], last_ev: float) -> list[Step]:
    return [
        Step(Gain(), GainSettings(first_ev)),
        Step(Mirror(), MirrorSettings(*rows)),
        Step(Second(), GainSettings(last_ev)),
    ]


def show(frame: HeldFrame, steps: list[Step], **options: Any) -> Shown:
    held = [HeldStep(step, (step.name, step.settings)) for step in steps]
    return frame.show(held, SINK, lambda *_: None, Rights(), **options)


def pixels(shown: Shown) -> Rows:
    rows = np.frombuffer(shown.outputs[0].data, np.float32)
    height = int(np.sqrt(rows.size // 6))
    return rows.reshape(height, -1, 3)


@contextmanager
def counted(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[str]]:
    worked: list[str] = []
    prepare = FramePipeline.prepare

    def noted(self: FramePipeline, upto: int) -> None:
        worked.extend(step.name for step in self._steps)
        prepare(self, upto)

    with monkeypatch.context() as patch:
        patch.setattr(FramePipeline, "prepare", noted)
        yield worked


changes = st.tuples(
    st.sampled_from([0.0, 0.5, 1.0]),
    st.sampled_from([(0, 0), (70, 100), (0, 100)]),
    st.sampled_from([0.0, 2.0]),
)


@settings(max_examples=30)
@given(st.lists(st.tuples(changes, st.booleans()), min_size=1, max_size=6))
def test_after_any_changes_the_picture_is_that_of_a_run(asked: list[tuple[Any, bool]]) -> None:
    frame = HeldFrame(OpenedArray(light()))
    for change, quick in asked:
        shown = show(frame, chain(*change), quick=quick)
    shown = show(frame, chain(*asked[-1][0]))
    assert shown.exact
    run = finish_frame(OpenedArray(light()), [*chain(*asked[-1][0]), SINK])
    assert bytes(shown.outputs[0].data) == bytes(run.outputs[0].data)
    assert shown.notes == {name: found for name, found in run.notes.items() if name != "source"}
    assert shown.review_reasons == run.review_reasons


def test_only_stages_from_the_changed_one_on_work(monkeypatch: pytest.MonkeyPatch) -> None:
    frame = HeldFrame(OpenedArray(light()))
    show(frame, chain(0.5, (70, 100), 1))
    for change, names in (
        ((0.5, (70, 100), 1), []),
        ((0.5, (70, 100), 2), ["second"]),
        ((0.5, (80, 100), 2), ["mirror", "second"]),
        ((1.0, (80, 100), 2), ["gain", "mirror", "second"]),
    ):
        with counted(monkeypatch) as worked:
            show(frame, chain(*change))
        assert worked == names


def test_a_quick_picture_carries_a_small_place_in_the_new_light(monkeypatch: pytest.MonkeyPatch) -> None:
    """A place that holds half the light around it holds half of the new light, too."""
    alike = np.ones((48, 96, 3), np.float32)
    frame = HeldFrame(OpenedArray(alike))
    plain, patched = chain(0, (90, 100), 0), chain(0, (90, 100), 0)

    class Patch(Mirror):
        def apply(self, band: Band, settings: MirrorSettings, prepared: Any) -> Applied:
            band.rows[:, :20] *= 0.5
            return Applied(band.rows)

    for steps in (plain, patched):
        steps[1] = Step(Patch(), MirrorSettings(90, 100))
    patched[0] = Step(Gain(), GainSettings(1.0))
    show(frame, plain)
    with counted(monkeypatch) as worked:
        quick = show(frame, patched, quick=True)
    assert worked == ["gain", "second"]
    assert not quick.exact
    exact = show(frame, patched)
    assert exact.exact
    assert np.allclose(
        pixels(quick), pixels(exact), rtol=0.15
    )  # the second gain adds a term of the frame's mean
    assert not np.array_equal(pixels(quick), pixels(show(frame, plain)))


def test_it_is_carried_to_the_frame_as_its_source_gives_it_otherwise(monkeypatch: pytest.MonkeyPatch) -> None:
    before, after = HeldFrame(OpenedArray(light())), OpenedArray(1.1 * light())
    steps = chain(0.5, (90, 100), 1)
    show(before, steps)
    frame = HeldFrame(after, in_other_light=before)
    with counted(monkeypatch) as worked:
        quick = show(frame, steps, quick=True)
    assert worked == ["gain", "second"]
    assert not quick.exact
    run = finish_frame(OpenedArray(1.1 * light()), [*steps, SINK])
    assert bytes(show(frame, steps).outputs[0].data) == bytes(run.outputs[0].data)


def test_the_work_on_a_whole_frame_is_not_carried() -> None:
    frame = HeldFrame(OpenedArray(light()))
    show(frame, chain(0, (0, 100), 0))
    assert show(frame, chain(1, (0, 100), 0), quick=True).exact


def test_what_is_not_wanted_any_longer_is_left() -> None:
    frame = HeldFrame(OpenedArray(light()))
    asked = iter([True, True, False])
    with pytest.raises(Superseded):
        show(frame, chain(1, (70, 100), 1), is_wanted=lambda: next(asked))
    shown = show(frame, chain(1, (70, 100), 1))
    run = finish_frame(OpenedArray(light()), [*chain(1, (70, 100), 1), SINK])
    assert bytes(shown.outputs[0].data) == bytes(run.outputs[0].data)
