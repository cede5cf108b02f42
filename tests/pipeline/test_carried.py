"""What stages made at full size, in small pictures."""

from typing import Any

import numpy as np

from panopipe.frame import Band, FrameFacts, Rows
from panopipe.pipeline.carried import Inlay, Watched, Work, WorksAtFullSize, layout_of
from panopipe.pipeline.engine import finish_frame
from panopipe.pipeline.held import HeldFrame, HeldStep, all_marks
from panopipe.pipeline.steps import Step
from panopipe.stage import Applied
from tests.pipeline.test_held import SINK, chain, pixels, show
from tests.run.fakes import HALL_1, Mirror, MirrorSettings, OpenedArray, light


def steps_of(*change: Any) -> list[HeldStep]:
    return [HeldStep(step, (step.name, step.settings)) for step in chain(*change)]


def works_of(steps: list[HeldStep], inlay: Inlay, frame: HeldFrame, reduced: Inlay) -> WorksAtFullSize:
    works = WorksAtFullSize()
    marks = all_marks(steps, 2)
    works.take(Work(marks, layout_of(frame.facts), inlay, reduced, {"rows_changed": 1.0}, ("done",)))
    return works


def test_a_place_takes_the_new_light_of_its_own_level() -> None:
    """A curve that lifts the dark lifts what was made dark, and leaves what was made bright."""
    random = np.random.default_rng(2)
    before = (2.0 ** random.uniform(-6, 0, (48, 96, 1)) * np.ones(3)).astype(np.float32)
    after = before.copy()
    after[40:, 10:60] = (2.0 ** random.uniform(-5, -1, (8, 50, 1)) * np.ones(3)).astype(np.float32)
    laid = Inlay.between(before, after).laid(np.sqrt(before))
    assert np.allclose(laid[40:, 10:60], np.sqrt(after[40:, 10:60]), rtol=0.03)
    assert np.array_equal(laid[:40], np.sqrt(before[:40]))


def test_in_the_same_light_a_place_is_laid_as_it_was_made() -> None:
    before, after = light(), light()
    after[44:, :30] += 0.25
    assert np.allclose(Inlay.between(before, after).laid(before.copy()), after, atol=1e-5)


def test_work_at_full_size_is_shown_though_the_picture_may_take_its_time() -> None:
    steps = steps_of(0.5, (90, 100), 1)
    plain = HeldFrame(OpenedArray(light()))
    shown = show(plain, chain(0.5, (90, 100), 1))
    before = pixels(show(HeldFrame(OpenedArray(light())), chain(0.5, (0, 0), 0)))
    made = before.copy()
    made[44:] = 0.125
    works = works_of(steps, Inlay.between(before, made), plain, Inlay.between(before, made))
    frame = HeldFrame(OpenedArray(light()), at_full_size=works)
    for quick in (True, False):
        truer = show(frame, chain(0.5, (90, 100), 0), quick=quick)
        assert truer.exact
        assert np.allclose(pixels(truer)[44:], 0.125, rtol=1e-5)
        assert truer.notes["mirror"] == {"rows_changed": 1.0}
    other = show(frame, chain(0.5, (80, 100), 1))  # the stage is set otherwise: it works
    assert bytes(other.outputs[0].data) != bytes(shown.outputs[0].data)
    run = finish_frame(OpenedArray(light()), [*chain(0.5, (80, 100), 1), SINK])
    assert bytes(other.outputs[0].data) == bytes(run.outputs[0].data)


def test_a_picture_that_was_held_gives_way_to_work_at_full_size() -> None:
    steps, works = steps_of(0.5, (90, 100), 0), WorksAtFullSize()
    frame = HeldFrame(OpenedArray(light()), at_full_size=works)
    before = pixels(show(frame, chain(0.5, (90, 100), 0)))
    made = before.copy()
    made[46:] = 0.5
    inlay = Inlay.between(before, made)
    works.take(Work(all_marks(steps, 2), layout_of(frame.facts), inlay, inlay, {}, ()))
    assert np.allclose(pixels(show(frame, chain(0.5, (90, 100), 0)))[46:], 0.5, rtol=0.7)


def residue_shown(learned: tuple[Any, ...], tried: tuple[Any, ...]) -> tuple[Rows, Rows]:
    """A picture without, and one with a full size that had a tenth more light everywhere."""
    bare, works = HeldFrame(OpenedArray(light() + 0.2)), WorksAtFullSize()
    full = 1.1 * pixels(show(bare, chain(*learned)))
    residue = bare.residue(steps_of(*learned), lambda *_: None, full)
    assert residue is not None
    works.take_residue(residue)
    frame = HeldFrame(OpenedArray(light() + 0.2), at_full_size=works)
    return pixels(show(HeldFrame(OpenedArray(light() + 0.2)), chain(*tried))), pixels(
        show(frame, chain(*tried))
    )


def test_what_small_pictures_lack_is_made_good_after_a_change_too() -> None:
    for tried in ((0.5, (90, 100), 0), (0.6, (90, 100), 0), (0.5, (80, 100), 0)):
        without, truer = residue_shown((0.5, (90, 100), 0), tried)
        rows = slice(0, 37)  # above the place
        assert np.allclose(truer[rows], 1.1 * without[rows], rtol=2e-3, atol=1e-3)


def test_it_is_not_where_the_whole_frame_was_moved_otherwise() -> None:
    without, truer = residue_shown((0.5, (0, 100), 0), (0.6, (0, 100), 0))
    assert np.allclose(truer, 1.1 * without, rtol=2e-3, atol=1e-3)
    without, truer = residue_shown((0.5, (0, 100), 0), (0.5, (0, 99), 0))
    assert np.array_equal(truer, without)


def test_a_stage_that_is_watched_makes_the_same_and_its_work_is_kept_small() -> None:
    """Rows of light that fall off evenly, turned upside down: so are they reduced."""
    rows = np.repeat(np.linspace(1, 2, 48, dtype=np.float32), 96 * 3).reshape(48, 96, 3)
    facts = FrameFacts(HALL_1, 96, 48)

    class Turned(Mirror):
        def apply(self, band: Band, settings: MirrorSettings, prepared: Any) -> Applied:
            return Applied(np.ascontiguousarray(band.rows[::-1]))

    stage = Watched(Turned(), ((48, 0.0), (32, 0.5)))
    context = type("Context", (), {"reduced": type("F", (), {"rows": rows})(), "neighbours": {}})()
    stage.prepare(context, MirrorSettings(50, 100))
    applied = stage.apply(Band(rows[24:].copy(), 24, facts), MirrorSettings(50, 100), None)
    assert np.array_equal(applied.rows, rows[24:][::-1])
    for inlay, width in zip(stage.made, (48, 32), strict=True):
        assert inlay.first == width // 4
        assert inlay.before.shape == (width // 4, width, 3)
        assert np.all(np.diff(inlay.before[:, 0, 0]) > 0)
        assert np.all(np.diff(inlay.after[:, 0, 0]) < 0)


def test_a_watched_stage_is_named_as_the_stage_itself() -> None:
    step = Step(Watched(Mirror(), ()), MirrorSettings())
    assert (step.name, step.stage.notes) == ("mirror", Mirror.notes)
