import numpy as np
import pytest
from panopipe_unsharp import Unsharp, UnsharpSettings

from panopipe.errors import StageError
from panopipe.frame import Rows
from panopipe.pipeline.engine import finish_frame, reduce_rows
from panopipe.pipeline.frame_pipeline import FramePipeline, StageInputs
from panopipe.pipeline.steps import StageTimer, Step
from panopipe.stage import Prepared
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

WIDTH = 512
UNSHARP = Step(Unsharp(), UnsharpSettings(amount=0.5, reach_deg=1.0))
WIDER = Step(Unsharp(), UnsharpSettings(amount=0.8, reach_deg=0.1))
GAIN = Step(Gain(), GainSettings(0.5))
MIRROR = Step(Mirror(), MirrorSettings(20, 47))
CHAINS = {
    "alone": [UNSHARP],
    "two in a row": [UNSHARP, WIDER],
    "among others": [WIDER, GAIN, MIRROR, UNSHARP, Step(Mirror(), MirrorSettings(40, 100)), WIDER, GAIN],
}


def pixels(rows: Rows, steps: list[Step], **options: object) -> Rows:
    finished = finish_frame(OpenedArray(rows), [*steps, Step(Raw(), RawSettings())], **options)
    return np.frombuffer(finished.outputs[0].data, np.float32).reshape(rows.shape)


@pytest.mark.parametrize("chain", CHAINS)
def test_any_cut_gives_the_same_bits(chain: str) -> None:
    rows = light(WIDTH)
    whole = pixels(rows, CHAINS[chain], whole=True)
    for count in np.random.default_rng(13).choice(np.arange(1, WIDTH // 2 + 1), 10, replace=False):
        assert np.array_equal(pixels(rows, CHAINS[chain], rows_at_once=int(count)), whole)


@pytest.mark.parametrize("columns", [1, 255, WIDTH // 2])
def test_turning_the_frame_turns_the_result(columns: int) -> None:
    rows, steps = light(WIDTH), [UNSHARP, WIDER]
    turned = pixels(np.ascontiguousarray(np.roll(rows, columns, axis=1)), steps)
    assert np.array_equal(turned, np.roll(pixels(rows, steps), columns, axis=1))


def test_it_goes_on_over_the_poles() -> None:
    """Seen from the pole both halves of a frame that is its own mirror image are alike."""
    half = light(WIDTH)[:, : WIDTH // 2]
    done = pixels(np.concatenate([half, half], axis=1), [UNSHARP])
    assert np.array_equal(done[:, : WIDTH // 2], done[:, WIDTH // 2 :])
    flat = np.full((WIDTH // 2, WIDTH, 3), 0.5, np.float32)
    flat[0, :5] = 1  # what lies beyond the pole is half a turn away
    changed = np.flatnonzero(pixels(flat, [UNSHARP])[0, :, 0] != flat[0, :, 0])
    assert WIDTH // 2 + 2 in changed


def test_every_row_is_read_once() -> None:
    reader = OpenedArray(light(WIDTH))
    finish_frame(reader, [UNSHARP, WIDER, Step(Raw(), RawSettings())], rows_at_once=8)
    rows = [row for first, last in reader.read_rows for row in range(first, last)]
    assert rows == list(range(WIDTH // 2))


def test_nothing_to_add_changes_nothing() -> None:
    assert np.array_equal(pixels(light(WIDTH), [Step(Unsharp(), UnsharpSettings(amount=0))]), light(WIDTH))


def test_the_reduced_frame_goes_through_it() -> None:
    seen = []

    class Seeing(Gain):
        def prepare(self, context, settings):
            seen.append(context.reduced.rows)
            return Prepared()

    done = pixels(light(WIDTH), [UNSHARP, Step(Seeing(), GainSettings())])
    assert np.array_equal(seen[0], reduce_rows(done, WIDTH))


def test_a_part_of_a_frame_is_the_same_as_in_the_whole() -> None:
    """That is how the rows of a neighbour are brought."""
    rows, steps = light(WIDTH), [UNSHARP, MIRROR, WIDER]
    reader = OpenedArray(rows)
    pipeline = FramePipeline(reader, steps, StageInputs(), rows, StageTimer(), source="source", band_rows=16)
    pipeline.prepare(3)
    part = np.concatenate([band.rows for band in pipeline.bands(3, 30, 130)])
    assert np.array_equal(part, pixels(rows, steps)[30:130])


def test_a_margin_higher_than_the_frame_is_refused() -> None:
    class Wide(Unsharp):
        def margin_rows(self, height, settings):
            return height + 1

    with pytest.raises(StageError, match="margin of 17 rows in a frame of 16"):
        pixels(light(32), [Step(Wide(), UnsharpSettings())])


def test_a_source_that_gives_no_numbers_is_named_through_it() -> None:
    rows = light(64)
    rows[20, 3] = np.nan
    with pytest.raises(StageError) as caught:
        pixels(rows, [UNSHARP, WIDER], rows_at_once=8)
    assert caught.value.stage == "source"
