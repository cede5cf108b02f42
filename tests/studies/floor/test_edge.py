"""The edge between two kinds of floor is found where it lies, straight or round; elsewhere none is."""

import math

import numpy as np
import pytest

from panopipe.sphere.views import frame_focal_px, straight_down, view_from_frame
from panopipe.studies.floor.edge import Edge
from panopipe.studies.floor.edge_search import floor_edge
from panopipe.studies.floor.straighten import bent_back, straightened
from tests.scenes.ends import lawn, pool, step_down, walled
from tests.scenes.floors import FLOORS, HELD_OUT, Foot, Stand, planks, see, square_tiles
from tests.scenes.laid_floors import LAID, slate

WIDTH, FOOT, COVER_DEG = 1024, Foot(8), 11.0
FOCAL_PX = frame_focal_px(WIDTH)
ONE_KIND = [name for name in {**FLOORS, **HELD_OUT} if name not in ("rug edge", "polished")]


def seen_from_above(floor, gloss=0.0):
    seen = see(floor, Stand(gloss=gloss), FOOT, width=WIDTH, top_pitch_deg=-38)
    view = straight_down(2 * int(3.2 * math.tan(math.radians(COVER_DEG)) * FOCAL_PX), FOCAL_PX)
    hole = np.hypot(*view.plane()) < math.tan(math.radians(COVER_DEG))
    return view_from_frame(seen.rows, seen.first, view), hole


def found(floor):
    light, hole = seen_from_above(floor)
    return floor_edge(light, np.ones_like(hole), hole)


def metres_off(edge, shape, floor_distance):
    """How far from the true edge, in metres, the found one lies where it crosses the hole's surroundings."""
    distance = edge.distances(shape)
    rows, columns = np.nonzero(np.abs(distance) < 0.5)
    middle = (shape[0] - 1) / 2
    x, y = (columns - middle) / FOCAL_PX * 1.5, (middle - rows) / FOCAL_PX * 1.5
    near = np.hypot(x, y) < 0.6
    return np.abs(floor_distance(x[near], y[near])).max()


# A pixel of these views is 9 mm; the search sets the edge to about one.
@pytest.mark.parametrize(
    ("floor", "distance"),
    [
        (walled(square_tiles(), 0.22), lambda x, y: y - 0.22),
        (pool(square_tiles(side_m=0.4)), lambda x, y: x - 0.18),
        # The step's dark nosing is 42 mm wide before it.
        (step_down(planks(), 0.25), lambda x, y: x - 0.208),
        (
            LAID["plain rug"](),
            lambda x, y: math.cos(math.radians(61)) * y - math.sin(math.radians(61)) * x + 0.03,
        ),
        (
            LAID["round rug"](),
            lambda x, y: (
                np.hypot(x - 0.83 * math.sin(math.radians(200)), y - 0.83 * math.cos(math.radians(200))) - 0.8
            ),
        ),
    ],
    ids=["wall", "pool", "step", "rug", "round rug"],
)
def test_an_edge_is_found_to_about_a_pixel(floor, distance):
    light, hole = seen_from_above(floor)
    edge = floor_edge(light, np.ones_like(hole), hole)
    assert metres_off(edge, hole.shape, distance) < 0.025


@pytest.mark.parametrize("name", ["rug on parquet", "runner on slate"])
def test_a_rug_of_many_colours_has_an_edge(name):
    assert found(LAID[name]()).bend == 0


def test_a_ragged_lawn_has_an_edge():
    assert found(lawn(square_tiles())) is not None


@pytest.mark.parametrize("name", ONE_KIND)
def test_a_floor_of_one_kind_has_none(name):
    assert found({**FLOORS, **HELD_OUT}[name]()) is None


@pytest.mark.parametrize("name", ["terracotta", "chequered", "block parquet", "grey boards", "slate"])
def test_neither_have_tiles_of_two_tones(name):
    assert found(slate() if name == "slate" else LAID[name]()) is None


def test_a_lamp_mirrored_in_a_polished_floor_is_no_edge():
    light, hole = seen_from_above(FLOORS["polished"](), gloss=0.12)
    assert floor_edge(light, np.ones_like(hole), hole) is None


@pytest.mark.parametrize("bend", [0.0, 0.004, -0.006])
def test_places_and_distances_are_inverse(bend):
    edge = Edge((60.0, 70.0), 0.7, -12.0, bend)
    along, aside = np.meshgrid(np.linspace(-80, 80, 9), np.linspace(-40, 40, 7))
    rows, columns = edge.places(along, aside)
    np.testing.assert_allclose(edge.distance(rows, columns), aside, atol=1e-9)
    np.testing.assert_allclose(edge.along(rows, columns), along, atol=1e-9)


@pytest.mark.parametrize("bend", [0.005, -0.008])
def test_an_arc_drawn_straight_and_bent_back_is_as_it_was(bend):
    edge = Edge((100.0, 100.0), 2.1, 6.0, bend)
    rows, columns = np.indices((201, 201), np.float64)
    # Smooth light, and maps exact to a 32nd of a pixel, twice: 2 x 0.02 a pixel / 64, and the cubics.
    light = (0.5 + 0.2 * np.sin(rows / 15) * np.cos(columns / 12)).astype(np.float32)
    light = np.repeat(light[..., None], 3, -1)
    hole = np.hypot(rows - 100, columns - 100) < 30
    drawn, known, hidden, line = straightened(light, np.ones_like(hole), hole, edge)
    assert line.bend == 0
    assert not (known & hidden).any()
    np.testing.assert_allclose(bent_back(drawn, hole, edge), light[hole], atol=2e-3)
    # The arc itself is now a column.
    np.testing.assert_allclose(line.distances(hole.shape)[:, 106], 0, atol=1e-9)
