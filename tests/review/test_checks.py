"""Each fault, planted in a clean picture, is caught; the clean picture raises nothing."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
import pytest

from panopipe.frame import FrameKey
from panopipe.registry import DEFAULT_ORDER
from panopipe.review.finding import FrameReview
from panopipe.review.make import judge
from panopipe.review.measure import measure, sketch
from panopipe.review.store import Seen
from panopipe.state.record import Effective, FrameRecord
from tests.review.pictures import Picture, room

WIDTH = 768
AT_ITS_BOUND = {"tone": {"highlights_ev": Effective(-4.0, "recipe.toml:4")}}


@pytest.fixture(scope="module")
def clean() -> list[Picture]:
    return [room(WIDTH, seed=n) for n in (1, 2, 3, 4)]


def reviewed(pictures: list[Picture], **facts: object) -> FrameReview:
    """The first of some frames of one room, reviewed among them."""
    records = [
        FrameRecord(FrameKey("lounge", f"p{n}"), "finished", outputs=(f"{n}.jpg",), **facts)
        for n in range(len(pictures))
    ]  # type: ignore[arg-type]
    seen = {
        record.key: Seen(measure(one, one.shape[1], one.shape[0]), sketch(one))
        for record, one in zip(records, pictures, strict=True)
    }
    return judge(records, seen, title="").frames[0]


def checks(review: FrameReview) -> list[str]:
    return [one.check for one in review.crossed]


def offered(review: FrameReview, check: str) -> tuple[str, ...]:
    """Command that goes with a finding."""
    return next(one.command for one in review.crossed if one.check == check)


def paint(picture: Picture, value: int) -> Picture:
    """A patch at the horizon of a sixth of the rows and a third of the columns: about 9 % of the sphere."""
    changed = picture.copy()
    middle = WIDTH // 4
    changed[middle - WIDTH // 24 : middle + WIDTH // 24, WIDTH // 3 : 2 * WIDTH // 3] = value
    return changed


def step(picture: Picture) -> Picture:
    """A brightness ramp that does not close: five codes too many at the right edge."""
    ramp = np.linspace(0, 5, WIDTH)[np.newaxis, :, np.newaxis]
    return np.asarray(np.clip(picture + ramp, 0, 255), dtype=np.uint8)


def star(picture: Picture, *, up: bool) -> Picture:
    """Spokes at a pole, as a stitcher leaves them that loses the last rows."""
    changed = picture.copy()
    spokes = np.where(np.arange(WIDTH) // (WIDTH // 16) % 2, 150, 40)[np.newaxis, :, np.newaxis]
    changed[: 8 if up else 0] = spokes
    if not up:
        changed[-8:] = spokes
    return changed


def warm(picture: Picture) -> Picture:
    """A lamp's colour left in the picture."""
    return np.asarray(np.rint(picture * [1.0, 0.93, 0.78]), dtype=np.uint8)


def noisy(picture: Picture) -> Picture:
    noise = np.random.default_rng(7).normal(0, 6, picture.shape)
    return np.asarray(np.clip(picture + noise, 0, 255), dtype=np.uint8)


FAULTS: dict[str, Callable[[Picture], Picture]] = {
    "clipped": lambda one: paint(one, 255),
    "crushed": lambda one: paint(one, 0),
    "seam": step,
    "zenith": lambda one: star(one, up=True),
    "nadir": lambda one: star(one, up=False),
    "tilt": lambda one: room(WIDTH, seed=1, lean_deg=1.2),
    "cast": warm,
    "grain": noisy,
    "blur": lambda one: np.asarray(cv2.GaussianBlur(one, (0, 0), 2), dtype=np.uint8),
    "exposure": lambda one: room(WIDTH, seed=1, gain=0.4),
    "shape": lambda one: np.asarray(one[:-2], dtype=np.uint8),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_planted_fault_is_caught(fault: str, clean: list[Picture]) -> None:
    review = reviewed([FAULTS[fault](clean[0]), *clean[1:]], order=DEFAULT_ORDER)
    assert fault in checks(review)
    # A finished frame is made again only when something changed: `run` alone mends a spoilt file, no more.
    verbs = {one.check: one.command[1] for one in review.crossed if one.command}
    assert all(verb == "set" or check == "shape" for check, verb in verbs.items())


@pytest.mark.parametrize(("gain", "crossed"), [(0.25, True), (0.6, False)])
def test_a_room_of_one_frame_is_judged_against_the_house(gain: float, crossed: bool) -> None:
    """Two EV below all other rooms wants a look, three quarters of one are a darker room."""
    pictures = [room(WIDTH, seed=1, gain=gain), *(room(WIDTH, seed=seed) for seed in range(2, 6))]
    records = [FrameRecord(FrameKey(f"room-{n}", "one"), "finished", outputs=(f"{n}.jpg",)) for n in range(5)]
    seen = {
        r.key: Seen(measure(p, WIDTH, WIDTH // 2), sketch(p)) for r, p in zip(records, pictures, strict=True)
    }
    frames = judge(records, seen, title="").frames
    assert [("exposure" in checks(one)) for one in frames] == [crossed, False, False, False, False]
    finding = next(one for one in frames[0].findings if one.check == "exposure")
    assert "house" in finding.sentence


@pytest.mark.parametrize("first", range(4))
def test_clean_frames_raise_nothing(first: int, clean: list[Picture]) -> None:
    assert checks(reviewed(clean[first:] + clean[:first])) == []


@pytest.mark.parametrize("turn", [0, 137])
def test_a_double_is_caught_however_it_is_turned(turn: int, clean: list[Picture]) -> None:
    again = np.roll(clean[1], turn, axis=1)
    pictures = [clean[0], clean[1], again]
    records = [FrameRecord(FrameKey("", f"p{n}"), "finished", outputs=(f"{n}.jpg",)) for n in range(3)]
    seen = {
        r.key: Seen(measure(p, WIDTH, WIDTH // 2), sketch(p)) for r, p in zip(records, pictures, strict=True)
    }
    frames = judge(records, seen, title="").frames
    assert [("double" in checks(one)) for one in frames] == [False, False, True]


def test_a_frame_of_another_size_is_caught(clean: list[Picture]) -> None:
    small = np.asarray(cv2.resize(clean[0], (512, 256), interpolation=cv2.INTER_AREA), dtype=np.uint8)
    assert offered(reviewed([small, *clean[1:]]), "shape") == ()
    settings = {"export": {"widths": Effective((), "built-in")}}
    large = reviewed([clean[0], small, small, small], settings=settings)
    assert offered(large, "shape")[-1] == "export.widths=[512]"


@pytest.mark.parametrize(("own", "said"), [(WIDTH // 2, "Enlarged 2 times"), (WIDTH, ""), (2 * WIDTH, "")])
def test_an_enlarged_frame_is_told(clean: list[Picture], own: int, said: str) -> None:
    found = reviewed(clean, width=own, height=own // 2)
    sentence = next(one.sentence for one in found.findings if one.check == "shape")
    assert ("Enlarged" in sentence) == bool(said)
    assert said in sentence


def test_a_smaller_frame_is_not_soft_for_its_size_but_for_its_blur(clean: list[Picture]) -> None:
    small = np.asarray(cv2.resize(clean[0], (512, 256), interpolation=cv2.INTER_AREA), dtype=np.uint8)
    assert "blur" not in checks(reviewed([small, *clean[1:]]))
    shaken = np.asarray(cv2.GaussianBlur(small, (0, 0), 2), dtype=np.uint8)
    assert "blur" in checks(reviewed([shaken, *clean[1:]]))


def test_what_a_stage_wants_looked_at_is_said(clean: list[Picture]) -> None:
    review = reviewed(clean, review_reasons={"nadir": ("The floor does not repeat.",)})
    assert [one.sentence for one in review.crossed] == ["The floor does not repeat."]


def test_the_remedy_starts_from_the_setting_in_force(clean: list[Picture]) -> None:
    settings = {"tone": {"highlights_ev": Effective(-1.5, "recipe.toml:4")}}
    review = reviewed([paint(clean[0], 255), *clean[1:]], settings=settings, order=DEFAULT_ORDER)
    assert offered(review, "clipped") == ("panopipe", "set", "JOB", "lounge/p0", "tone.highlights_ev=-2.5")


@pytest.mark.parametrize(
    "said", [{"order": ("decode", "export")}, {"settings": AT_ITS_BOUND, "order": DEFAULT_ORDER}]
)
def test_no_command_is_offered_that_would_change_nothing(clean: list[Picture], said: dict[str, Any]) -> None:
    review = reviewed([paint(clean[0], 255), *clean[1:]], **said)
    assert offered(review, "clipped") == ()


def test_the_gravest_finding_stands_first_and_ranks_the_frame(clean: list[Picture]) -> None:
    worse, better = (
        reviewed([paint(star(clean[0], up=True), 255), *clean[1:]]),
        reviewed([paint(clean[0], 255), *clean[1:]]),
    )
    assert [one.doubt for one in worse.crossed] == sorted((one.doubt for one in worse.crossed), reverse=True)
    assert worse.doubt > better.doubt > 0


@pytest.mark.parametrize("width", [16, 64])
def test_a_tiny_frame_is_measured_without_a_murmur(width: int) -> None:
    """Too small for its twelve sections of rows; warnings are errors here."""
    one = np.random.default_rng(1).integers(0, 256, (width // 2, width, 3), dtype=np.uint8)
    assert np.isfinite(measure(one, width, width // 2).seam_codes)


def test_what_moved_between_exposures_is_told_with_its_place(clean: list[Picture]) -> None:
    moved = {"exposures_merged": "a, b", "moved": "yaw 40 pitch -5: a", "moved_yaw_deg": 40.0,
             "moved_pitch_deg": -5.0}  # fmt: skip
    for share, crossed in ((0.2, False), (3.0, True)):
        review = reviewed(clean, notes={"decode": {**moved, "moved_share_percent": share}})
        found = next(one for one in review.findings if one.check == "moved")
        assert (found.crossed, found.look) == (crossed, (40.0, -5.0))
        assert "yaw 40 pitch -5: a" in found.sentence
