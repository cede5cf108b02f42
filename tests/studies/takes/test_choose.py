"""Of three takes of a stand, the one that has something wrong is left, and what is wrong is named."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from panopipe.sphere.rotation import turned
from panopipe.sphere.wrap import pad
from panopipe.studies.takes.choose import choose
from panopipe.studies.takes.take import Kind, Take
from tests.makers.takes import made_place

WIDTH = 512
NO_LIMIT = (1.0, 1.0)


def smooth_noise(sigma: float, random: np.random.Generator) -> np.ndarray:
    reach = min(round(4 * sigma), WIDTH // 2)
    noise = pad(random.standard_normal((WIDTH // 2, WIDTH)), reach)
    smooth = cv2.GaussianBlur(noise, (0, 0), sigma)[reach:-reach, reach:-reach]
    return smooth / smooth.std()


@pytest.fixture(scope="module")
def light() -> np.ndarray:
    """A place with structure of all sizes, hard edges and colours."""
    random = np.random.default_rng(1)
    edges, fine, broad = (smooth_noise(sigma, random) for sigma in (9, 1.2, 30))
    tint = np.stack([0.3 * smooth_noise(14, random) for _ in range(3)], axis=-1)
    logs = 0.9 * (edges > 0.4) + 0.25 * fine + 0.5 * broad - 2
    return np.exp2(logs[..., None] + tint).astype(np.float32)


def takes_of(rows: list[np.ndarray]) -> list[Take]:
    return [Take(one, NO_LIMIT) for one in rows]


@pytest.mark.parametrize(
    ("fault", "kind"),
    [
        ("glare", Kind.GLARE),
        ("flare", Kind.FLARE),
        ("clip", Kind.CLIP),
        ("person", Kind.VISITOR),
        ("blur", Kind.BLUR),
        ("lean", Kind.LEAN),
        ("seam", Kind.SEAM),
    ],
)
def test_a_made_fault_is_left_and_named(light: np.ndarray, fault: str, kind: str) -> None:
    place = made_place(light, fault, 7, outdoors=False)
    choice = choose(takes_of(place.takes))
    assert choice.chosen != place.faulty
    assert choice.faults[place.faulty][0].kind == kind


def test_takes_that_differ_as_nature_has_it_have_no_fault(light: np.ndarray) -> None:
    choice = choose(takes_of(made_place(light, "", 8, outdoors=False).takes))
    assert choice.sure
    assert choice.faults == ((), (), ())
    assert choice.chosen == 0


def test_a_figure_has_a_place(light: np.ndarray) -> None:
    place = made_place(light, "person", 9, outdoors=False)
    found = choose(takes_of(place.takes)).faults[place.faulty][0]
    assert found.yaw_deg is not None
    assert found.pitch_deg is not None
    away = (found.yaw_deg - place.yaw_deg + 180) % 360 - 180
    assert abs(away) * np.cos(np.radians(place.pitch_deg)) < 5  # a person's width from 2 m
    assert found.where is not None
    assert found.where.any()


def test_other_places_are_not_judged(light: np.ndarray) -> None:
    mirrored = np.ascontiguousarray(light[:, ::-1])
    choice = choose(takes_of([light, mirrored]))
    assert not choice.sure
    assert "laid" in choice.doubt
    assert choice.faults == ((), ())


def test_of_two_takes_the_one_with_the_person_is_left(light: np.ndarray) -> None:
    place = made_place(light, "person", 11, takes=2, outdoors=False)
    choice = choose(takes_of(place.takes))
    assert choice.chosen != place.faulty or not choice.sure


def test_a_turned_file_tells_the_same_of_its_takes(light: np.ndarray) -> None:
    place = made_place(light, "flare", 12, outdoors=False)
    first = choose(takes_of(place.takes))
    by = 128
    rolled = [
        replace(take, rows=np.roll(take.rows, -by, axis=1), anchor_yaw_deg=90.0)
        for take in takes_of(place.takes)
    ]
    second = choose(rolled)
    assert second.chosen == first.chosen
    one, other = first.faults[place.faulty][0], second.faults[place.faulty][0]
    assert other.kind == one.kind
    assert other.yaw_deg == pytest.approx(one.yaw_deg, abs=0.5)


def test_one_take_or_unlike_sizes_are_refused(light: np.ndarray) -> None:
    with pytest.raises(ValueError, match="takes"):
        choose([Take(light)])
    with pytest.raises(ValueError, match="takes"):
        choose([Take(light), Take(turned(light, np.eye(3))[::2, ::2].copy())])
