"""Nadir: the foot goes, the floor goes on, and every other pixel keeps its bits."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from panopipe.frame import Band, Frame, FrameFacts, FrameKey
from panopipe.registry import loaded_stage
from panopipe.setting import rules
from panopipe.sphere.views import frame_focal_px, straight_down, view_from_frame
from panopipe.stage import JobFacts, Observation, StageContext
from panopipe.stages.nadir import Nadir, NadirSettings
from panopipe.studies.floor.edge import Edge
from tests.scenes.floors import FLOORS, HELD_OUT, Foot, Stand, see

WIDTH, HEIGHT = 1536, 768
FOOT = Foot(8)


def facts(name="one", anchor_column=0):
    return FrameFacts(FrameKey("hall", name), WIDTH, HEIGHT, anchor_column)


def whole(seen):
    frame = np.full((HEIGHT, WIDTH, 3), 0.3, np.float32)
    frame[seen.first :] = seen.rows
    return frame


def reduced(frame):
    return cv2.resize(frame, (1024, 512), interpolation=cv2.INTER_AREA)


@pytest.fixture(scope="module")
def frames():
    floors = ("planks", "square tiles", "carpet")
    stands = (
        Stand(heading_deg=10),
        Stand(0.4, 1.1, heading_deg=80, seed=2),
        Stand(1.2, 0.2, heading_deg=200, seed=3),
    )
    return {
        name: see(FLOORS[name](), stand, FOOT, width=WIDTH, top_pitch_deg=-35)
        for name, stand in zip(floors, stands, strict=True)
    }


@pytest.fixture(scope="module")
def solutions(frames):
    nadir, settings = Nadir(), NadirSettings()
    observed = {}
    for name, seen in frames.items():
        frame = Frame(reduced(whole(seen)), facts(name))
        observed[frame.facts.key] = Observation(nadir.survey(frame, settings), settings, frame.facts)
    return nadir.solve(observed, JobFacts({"hall": tuple(observed)}))


def finish(seen, settings, *, solution=None, pictures=None, its_facts=None):
    nadir, its_facts = Nadir(), its_facts or facts()
    first, last = nadir.span(its_facts, settings)
    frame = whole(seen)
    look = StageContext(Frame(reduced(frame), its_facts), solution.data if solution else None, pictures or {})
    prepared = nadir.prepare(look, settings)
    applied = nadir.apply(Band(frame[first:last].copy(), first, its_facts), settings, prepared.data)
    done = frame.copy()
    done[first:last] = applied.rows
    return frame, done, prepared, applied


@pytest.fixture(scope="module")
def finished(frames, solutions):
    """Each frame as the job's own solution leaves it: rebuilt once, looked at by many tests."""
    return {
        name: finish(seen, NadirSettings(), solution=solutions[FrameKey("hall", name)])
        for name, seen in frames.items()
    }


def learned_by(seen, settings, pictures=None):
    """What the stage settles to cover, without filling it."""
    return Nadir().prepare(StageContext(Frame(reduced(whole(seen)), facts()), None, pictures or {}), settings)


def decibels(shown, truth, where):
    return -10 * np.log10(np.square(np.clip(shown, 0, 1) - np.clip(truth, 0, 1))[where].mean())


def test_the_stage_is_a_good_plugin():
    assert isinstance(loaded_stage("nadir"), Nadir)
    assert {"fill", "camera_height_m", "foot_radius_m"} <= set(rules(NadirSettings))


def test_leave_reads_and_changes_nothing(frames):
    settings = NadirSettings(fill="leave")
    before, after, prepared, _ = finish(frames["planks"], settings)
    assert prepared.data is None
    assert np.array_equal(before, after)


@pytest.mark.parametrize("name", ["planks", "square tiles", "carpet"])
def test_the_job_shows_the_monopod_and_the_floor_goes_on(frames, finished, name):
    seen = frames[name]
    before, after, prepared, applied = finished[name]
    assert prepared.notes["mask_source"] == "the frames themselves"
    truth = before.copy()
    truth[seen.first :] = seen.bare
    changed = (before != after).any(-1)
    foot = np.zeros_like(changed)
    foot[seen.first :] = seen.foot
    assert changed[foot].mean() > 0.995
    # The foot is a fifth as bright as these floors or less; a floor continued wrongly by its whole contrast
    # would stay under 25 dB.
    assert decibels(after, truth, foot) > 28 > decibels(before, truth, foot)
    assert applied.notes["ring_agreement"] > 0.1


def test_only_the_mask_changes(finished):
    before, after, prepared, _ = finished["planks"]
    outside = 90 - float(prepared.notes["mask_largest_deg"]) - 1.0
    row = int((90 + outside) / 180 * HEIGHT)
    assert np.array_equal(before[:row], after[:row])
    assert (before[row:] != after[row:]).any()


def test_the_same_frame_gives_the_same_bits(frames, solutions, finished):
    solution = solutions[FrameKey("hall", "planks")]
    again = finish(frames["planks"], NadirSettings(), solution=solution)[1]
    assert np.array_equal(finished["planks"][1], again)


def test_the_footprint_does_not_depend_on_the_order_of_the_frames(frames, solutions):
    nadir, settings = Nadir(), NadirSettings()
    observed = {}
    for name, seen in reversed(frames.items()):
        frame = Frame(reduced(whole(seen)), facts(name))
        observed[frame.facts.key] = Observation(nadir.survey(frame, settings), settings, frame.facts)
    again = nadir.solve(observed, JobFacts({"hall": tuple(observed)}))
    for key, one in solutions.items():
        assert np.array_equal(
            one.data.footprint.outline.radius_deg, again[key].data.footprint.outline.radius_deg
        )


def test_a_radius_in_the_recipe_is_geometry(frames):
    # External check: a foot of .2 m radius seen from 1.5 m spans 7.59 degrees (closed form atan(r / h)).
    settings = NadirSettings(foot_radius_m=0.2, camera_height_m=1.5, margin_deg=0)
    prepared = learned_by(frames["carpet"], settings)
    assert prepared.notes["mask_radius_deg"] == pytest.approx(7.59, abs=0.011)


def test_without_a_survey_the_frame_alone_tells(frames):
    prepared = learned_by(frames["carpet"], NadirSettings())
    assert prepared.notes["support_found"] == 1
    assert prepared.data.outline.largest_deg > 8


@pytest.mark.parametrize("name", ["planks", "square tiles", "carpet"])
def test_where_nothing_stands_no_bit_changes(frames, name):
    seen = frames[name]
    before, after, prepared, _ = finish(replace(seen, rows=seen.bare), NadirSettings())
    assert np.array_equal(before, after)
    assert prepared.notes["fill_method"] == "nothing found"
    assert prepared.review_reasons == ()


def arrow():
    """Opaque disc, red to the top and blue elsewhere, in a see-through square."""
    drawn = np.zeros((200, 200, 4), np.float32)
    drawn[..., 2], drawn[..., 3] = 0.5, 1
    drawn[:100, :, :3] = (0.5, 0, 0)
    return drawn


@pytest.mark.parametrize(("anchor_column", "heading_deg"), [(0, 0.0), (0, 90.0), (384, 30.0)])
def test_the_round_picture_lies_flat_and_points_to_its_heading(frames, anchor_column, heading_deg):
    settings = NadirSettings(
        fill="picture", patch_picture="mark.png", patch_radius_deg=10, patch_heading_deg=heading_deg
    )
    _, after, _, _ = finish(
        frames["carpet"],
        settings,
        pictures={"patch_picture": arrow()},
        its_facts=facts(anchor_column=anchor_column),
    )
    in_arrays = heading_deg - 360 * anchor_column / WIDTH
    view = straight_down(200, frame_focal_px(WIDTH), in_arrays)
    shown = view_from_frame(after, 0, view)
    assert np.allclose(shown[80, 100], (0.5, 0, 0), atol=0.01)
    assert np.allclose(shown[120, 100], (0, 0, 0.5), atol=0.01)
    # 10 degrees lie at tan 10 focal lengths from the middle.
    rim = np.tan(np.radians(10)) * view.focal_px
    assert np.allclose(shown[int(100 - rim + 3), 100], (0.5, 0, 0), atol=0.02)
    assert abs(float(shown[int(100 - rim - 3), 100, 2]) - 0.24) < 0.1


def test_a_see_through_patch_leaves_the_bits(frames):
    clear = arrow()
    clear[..., 3] = 0
    settings = NadirSettings(fill="picture", patch_picture="mark.png")
    before, after, _, _ = finish(frames["carpet"], settings, pictures={"patch_picture": clear})
    assert np.array_equal(before, after)


def test_a_missing_patch_is_named():
    with pytest.raises(ValueError, match="patch_picture"):
        NadirSettings(fill="picture")


def test_a_drawn_mask_overrides(frames):
    drawn = np.zeros((300, 300, 4), np.float32)
    drawn[..., 3] = 1
    yes = np.hypot(*np.mgrid[-149.5:150, -149.5:150]) < 150 * np.tan(np.radians(12)) / np.tan(np.radians(30))
    drawn[yes, :3] = 1
    settings = NadirSettings(foot_picture="mask.png", margin_deg=0)
    prepared = learned_by(frames["carpet"], settings, {"foot_picture": drawn})
    assert prepared.notes["mask_source"] == "foot_picture"
    assert prepared.notes["mask_radius_deg"] == pytest.approx(12, abs=0.3)


def test_soft_fill_has_no_detail(frames):
    seen = frames["planks"]
    _, after, _, applied = finish(seen, NadirSettings(fill="soft", foot_radius_m=0.3))
    view = straight_down(60, frame_focal_px(WIDTH))
    assert applied.notes["fill_method"] == "soft"
    assert float(cv2.Laplacian(view_from_frame(after, 0, view), cv2.CV_32F).std()) < 1e-3


def test_shadow_only_keeps_the_foot(frames, solutions):
    seen = frames["carpet"]
    before, after, _, _ = finish(
        seen, NadirSettings(fill="shadow"), solution=solutions[FrameKey("hall", "carpet")]
    )
    middle = slice(int(HEIGHT * (1 - 6 / 180)), None)
    assert np.array_equal(before[middle], after[middle])
    shadow = np.zeros(before.shape[:2], bool)
    near = cv2.dilate(seen.foot.astype(np.uint8), np.ones((7, 1), np.uint8)) > 0  # the outline's half-degree
    shadow[seen.first :] = seen.shadow & ~near & (seen.rows[..., 1] < 0.93 * seen.bare[..., 1])
    truth = before.copy()
    truth[seen.first :] = seen.bare
    assert decibels(after, truth, shadow) > decibels(before, truth, shadow) + 6


def test_a_frame_with_light_below_zero_and_far_above_one_survives(frames):
    seen = frames["carpet"]
    rows = seen.rows.copy()
    rows[::7, ::5] = -0.01
    rows[::11, ::13] = 40
    _, after, _, _ = finish(replace(seen, rows=rows), NadirSettings(foot_radius_m=0.25))
    assert np.isfinite(after).all()


def test_the_reduced_frame_passes_too(frames, solutions):
    nadir, settings = Nadir(), NadirSettings()
    small = reduced(whole(frames["planks"]))
    prepared = nadir.prepare(
        StageContext(Frame(small, facts()), solutions[FrameKey("hall", "planks")].data), settings
    )
    applied = nadir.apply(Band(small.copy(), 0, facts()), settings, prepared.data)
    assert applied.rows.shape == small.shape
    assert np.array_equal(applied.rows[:400], small[:400])
    assert float(applied.rows[500:].mean()) > 1.5 * float(small[500:].mean())


@pytest.fixture(scope="module")
def pair():
    """Two frames of one floor, 1.9 m apart, turned against each other."""
    floor = FLOORS["planks"]()
    one = Stand(0.3, 0.2, heading_deg=33, seed=1, light_yaw_deg=100)
    two = Stand(1.9, 1.2, heading_deg=170, seed=2, light_yaw_deg=100)
    return {
        FrameKey("hall", name): see(floor, stand, FOOT, width=WIDTH, top_pitch_deg=-20)
        for name, stand in (("one", one), ("two", two))
    }


def test_a_neighbour_shows_the_real_floor(pair):
    nadir, settings = Nadir(), NadirSettings()
    observed = {}
    for key, seen in pair.items():
        its_facts = facts(key.name)
        frame = Frame(reduced(whole(seen)), its_facts)
        observed[key] = Observation(nadir.survey(frame, settings), settings, its_facts)
    solutions = nadir.solve(observed, JobFacts({"hall": tuple(pair)}))
    one, two = pair
    assert solutions[one].neighbours == (two,)
    first, last = nadir.span(facts("one"), settings)
    bands = {key: Band(whole(seen)[first:last], first, facts(key.name)) for key, seen in pair.items()}
    look = StageContext(observed_frame(pair[one]), solutions[one].data, {}, {two: bands[two]})
    prepared = nadir.prepare(look, settings)
    applied = nadir.apply(bands[one], settings, prepared.data)
    assert applied.notes["fill_method"] == "seen from hall/two"
    assert float(applied.notes["neighbour_agreement"]) > 0.9
    truth = whole(pair[one])
    truth[pair[one].first :] = pair[one].bare
    foot = np.zeros(truth.shape[:2], bool)
    foot[pair[one].first :] = pair[one].foot
    assert decibels(applied.rows, truth[first:], foot[first:]) > 32  # the bar for a flat floor


def observed_frame(seen):
    return Frame(reduced(whole(seen)), facts("one"))


def test_a_neighbour_of_another_floor_is_not_taken(pair, frames):
    nadir, settings = Nadir(), NadirSettings()
    one, two = pair
    observed = {
        key: Observation(
            nadir.survey(Frame(reduced(whole(seen)), facts(key.name)), settings), settings, facts()
        )
        for key, seen in pair.items()
    }
    solutions = nadir.solve(observed, JobFacts({"hall": tuple(pair)}))
    first, last = nadir.span(facts("one"), settings)
    wrong = Band(whole(frames["square tiles"])[first:last], first, facts("two"))
    look = StageContext(observed_frame(pair[one]), solutions[one].data, {}, {two: wrong})
    prepared = nadir.prepare(look, settings)
    applied = nadir.apply(Band(whole(pair[one])[first:last], first, facts("one")), settings, prepared.data)
    assert applied.notes["fill_method"] == "floor"


def test_a_frame_too_small_for_its_floor_is_left_and_said() -> None:
    small = FrameFacts(FrameKey("hall", "one"), 128, 64)
    prepared = Nadir().prepare(
        StageContext(Frame(np.full((64, 128, 3), 0.3, np.float32), small)), NadirSettings()
    )
    assert prepared.data is None
    assert any("256 px" in why for why in prepared.review_reasons)


@pytest.mark.parametrize("name", ["hexagonal tiles", "striped rug", "brick"])
def test_an_edge_that_is_none_does_not_break_a_pattern(monkeypatch, name) -> None:
    # Once seen: rows of a rug's pattern passed for an arc, and what was copied along it fitted nowhere.
    def arc(light, known, hole):
        rows, columns = np.nonzero(hole)
        radius = math.sqrt(len(rows) / math.pi)
        return Edge((rows.mean(), columns.mean()), 0.55, 0.4 * radius, -0.3 / radius)

    floors = {**FLOORS, **HELD_OUT}
    seen = see(floors[name](), Stand(heading_deg=10, seed=4), FOOT, width=WIDTH, top_pitch_deg=-35)
    pictures = []
    for edge in (lambda *_: None, arc):
        monkeypatch.setattr("panopipe.stages.nadir.floor_edge", edge)
        _, after, _, applied = finish(seen, NadirSettings())
        pictures.append(after)
        assert applied.notes["flaw_size"] < 1
    assert np.array_equal(*pictures)
