"""Where frames stood, through the stage: yaws of the finished picture, hand corrections, one north."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from panopipe.capture import Capture
from panopipe.frame import Frame, FrameFacts, FrameKey
from panopipe.stage import JobFacts, LinkByHand, Observation, Solution, StageContext
from panopipe.stages.north import TOGETHER, North, NorthSettings
from panopipe.studies.stands.motion import wrapped
from panopipe.testing import check_stage, noise_frame
from tests.benchmarks.stands import bearing_deg
from tests.scenes.plan_house import random_house
from tests.scenes.plan_render import PlanHouse, render

ANCHORS = (0, 100, 250, 400, 600, 900, 1000)
"""Each frame reaches the stage from another column on; yaws are of the file all the same."""


@lru_cache
def seen() -> tuple[PlanHouse, dict[FrameKey, Observation]]:
    house, stage = random_house(4, 7), North()
    observed = {}
    for number, stand in enumerate(house.stands):
        key = FrameKey("", stand.name)
        facts = FrameFacts(key, 1024, 512, ANCHORS[number % len(ANCHORS)])
        rows = np.roll(render(house, stand), -facts.anchor_column, axis=1)
        observed[key] = Observation(stage.survey(Frame(rows, facts), NorthSettings()), NorthSettings(), facts)
    return house, observed


def black(facts: FrameFacts) -> Frame:
    """A frame of which only the facts matter."""
    return Frame(np.zeros((512, 1024, 3), np.float32), facts)


def solved(job: JobFacts | None = None, **settings: object) -> dict[FrameKey, Solution]:
    _, observed = seen()
    given = {key: replace(one, settings=NorthSettings(**settings)) for key, one in observed.items()}
    return dict(North().solve(given, job or JobFacts({})))


def key_of(number: int) -> FrameKey:
    return FrameKey("", seen()[0].stands[number].name)


def test_yaws_are_those_of_the_file_and_metres_those_of_the_house() -> None:
    house, _ = seen()
    numbers = {key_of(number): number for number in range(len(house.stands))}
    solutions = solved()
    sights = [(key, sight) for key, one in solutions.items() for sight in one.stand.sights]
    assert len(sights) >= 6
    for key, sight in sights:
        i, j = numbers[key], numbers[sight.to]
        a, b = house.stands[i], house.stands[j]
        assert abs(wrapped(sight.yaw_deg - bearing_deg(house, i, j))) < 5
        if sight.distance_m:  # 0 where no floor tells it
            assert sight.distance_m == pytest.approx(np.hypot(a.x - b.x, a.z - b.z), rel=0.15)
    assert sum(sight.distance_m > 0 for _, sight in sights) >= 6


def test_a_taller_monopod_makes_a_larger_house() -> None:
    """The floor tells camera heights; metres follow the height that is given."""
    low, high = solved(camera_height_m=1.5), solved(camera_height_m=3.0)
    for key, one in low.items():
        assert high[key].stand.x_m == pytest.approx(2 * one.stand.x_m, abs=0.002)


def test_facing_together_turns_by_whole_columns_to_one_heading() -> None:
    house, observed = seen()
    solutions = solved(facing=TOGETHER)
    headings = []
    for number, stand in enumerate(house.stands):
        key = key_of(number)
        if solutions[key].stand.part != 0:
            continue
        context = StageContext(black(observed[key].facts), solutions[key].data)
        prepared = North().prepare(context, NorthSettings(facing=TOGETHER))
        columns = prepared.facts.turned_columns if prepared.facts else 0
        headings.append(stand.heading_deg + columns * 360 / 1024)
    off = [wrapped(one - headings[0]) for one in headings]
    assert len(off) >= 3
    assert max(map(abs, off)) < 2.5  # each heading to a degree, and the turn to half a column


def test_links_turn_with_the_picture() -> None:
    shot, faced = solved(), solved(facing=TOGETHER)
    for key, one in shot.items():
        turned = faced[key].data.turned_deg if faced[key].data else 0.0
        for before, after in zip(one.stand.sights, faced[key].stand.sights, strict=True):
            assert wrapped(before.yaw_deg - turned - after.yaw_deg) == pytest.approx(0, abs=0.02)


def test_a_heading_by_hand_gives_all_of_its_part_true_headings() -> None:
    house, observed = seen()
    stands = [stand for stand in house.stands if solved()[FrameKey("", stand.name)].stand.part == 0]
    first = FrameKey("", stands[0].name)
    job = JobFacts({}, north={first: stands[0].heading_deg})
    for stand in stands:
        key = FrameKey("", stand.name)
        solution = solved(job)[key]
        assert solution.stand.true_north
        context = StageContext(black(observed[key].facts), solution.data)
        heading = North().prepare(context, NorthSettings()).facts.capture.heading_deg
        assert abs(wrapped(heading - stand.heading_deg)) < 2.5


def test_without_compass_or_hand_no_heading_is_made_up() -> None:
    assert all(one.data is None and not one.stand.true_north for one in solved().values())


def test_a_compass_in_a_file_turns_with_the_picture() -> None:
    facts = FrameFacts(FrameKey("", "a"), 1024, 512, capture=Capture(heading_deg=350.0))
    data = solved(facing=TOGETHER)
    turned = next(one.data for one in data.values() if one.data and one.data.turned_deg)
    prepared = North().prepare(StageContext(black(facts), turned), NorthSettings())
    assert prepared.facts.capture.heading_deg == pytest.approx(
        (350.0 + prepared.facts.turned_columns * 360 / 1024) % 360, abs=1e-3
    )


def test_the_job_file_has_the_last_word_on_a_link() -> None:
    one = next(key for key, solution in solved().items() if solution.stand.sights)
    other = solved()[one].stand.sights[0].to
    gone = solved(JobFacts({}, links=(LinkByHand((one, other), sees=False),)))
    assert other not in [sight.to for sight in gone[one].stand.sights]
    assert one not in [sight.to for sight in gone[other].stand.sights]
    told = solved(JobFacts({}, links=(LinkByHand((one, other), yaw_deg=12.0, distance_m=3.0),)))
    sight = next(sight for sight in told[one].stand.sights if sight.to == other)
    assert (sight.yaw_deg, sight.distance_m, sight.certainty, sight.by_hand) == (12.0, 3.0, 1.0, True)


def test_the_stage_changes_no_pixel() -> None:
    check_stage(North(), NorthSettings())


def test_a_frame_alone_is_said_to_be_unplaced() -> None:
    stage, key = North(), FrameKey("", "alone")
    facts = FrameFacts(key, 512, 256)
    observed = {
        key: Observation(
            stage.survey(Frame(noise_frame(512), facts), NorthSettings()), NorthSettings(), facts
        )
    }
    stand = stage.solve(observed, JobFacts({}))[key].stand
    assert stand.part == -1 and "could not be told" in stand.doubt
