"""Two lights are proven by what white paint shows; one light, and what it bounces, is left alone."""

from __future__ import annotations

import numpy as np
import pytest

from panopipe.studies.white.by_place import LightField
from panopipe.studies.white.cones import PLACE_PER_MIRED
from panopipe.studies.white.mixture import mixture
from panopipe.studies.white.proof import two_lights
from panopipe.studies.white.surfaces import ROWS, area

NO_CAMERA = (0.0, 0.0)


def paint(from_mired: float, to_mired: float) -> LightField:
    """White paint all round, whose light runs evenly from one temperature to another."""
    curve = mixture(154, 360, NO_CAMERA)
    ends = [(mired - 154) * PLACE_PER_MIRED for mired in (from_mired, to_mired)]
    lengths = np.repeat(np.linspace(*ends, 2 * ROWS)[None], ROWS, axis=0)
    return LightField(lengths, np.zeros((*lengths.shape, 2)), np.zeros(lengths.shape), area(), curve)


@pytest.mark.parametrize(
    ("light", "proven"),
    [
        (paint(160, 360), 1),  # a window and a lamp of 2800 K
        (paint(330, 355), 0),  # lamps, and the wood around them
        (paint(155, 200), 0),  # daylight, and the wood around it
        (paint(250, 250), 0),  # a lamp of 4000 K
    ],
)
def test_two_lights_are_told_from_one(light: LightField, proven: float) -> None:
    """Definition: all is evened or nothing where the spread of light is clear."""
    assert two_lights([(light, NO_CAMERA, 0.0)]) == proven


def test_between_one_light_and_two_it_fades() -> None:
    """A hard switch would part two frames of one room that differ little."""
    shares = [two_lights([(paint(360 - spread, 360), NO_CAMERA, 0.0)]) for spread in (52, 55, 58, 62)]
    assert 0 < shares[0] < shares[1] < shares[2] < 1


def test_what_is_not_heard_proves_nothing() -> None:
    """A lawn or a wooden chest off the paint does not count."""
    light = paint(340, 341)
    light.lengths[:20, :20], light.heard[:20, :20] = 0, 0
    assert two_lights([(light, NO_CAMERA, 0.0)]) == 0


def test_a_room_is_judged_by_all_its_frames() -> None:
    """Two frames that show as much paint count alike; one that shows none does not."""
    both, lamp = (paint(160, 360), NO_CAMERA, 1.0), (paint(330, 355), NO_CAMERA, 1.0)
    assert two_lights([lamp, both]) == two_lights([both, lamp]) == pytest.approx(0.5)
    lamp[0].heard[:] = 0
    assert two_lights([both, lamp]) == 1
    assert two_lights([lamp]) == two_lights([]) == 0


@pytest.mark.parametrize("lamp", [0.0, 0.5, 1.0])
def test_where_hardly_any_paint_is_a_lamp_must_be_in_view(lamp: float) -> None:
    """A wooden ceiling by daylight looks like paint under a lamp."""
    light = paint(160, 360)
    light.heard[:] *= 0.05
    assert two_lights([(light, NO_CAMERA, lamp)]) == lamp
