"""One scale of the shrinkage: both forms give the same bits, and nothing leads out of an array."""

import numpy as np
import pytest

from panopipe.pixels import compiled
from panopipe.pixels.finest import shrink_finest
from panopipe.pixels.opponent import OPPONENT_OF_LIGHT, join_planes, part_planes
from panopipe.pixels.shrink import shrink

RANDOM = np.random.default_rng(5)
needs_kernels = pytest.mark.skipif(
    not compiled.COMPILED, reason="panopipe was installed without a compiler; the definitions in numpy run"
)
CONTROL = np.array([[3, 0.8], [2, 1], [3, 1]], np.float32)


def scale(
    rows: int, width: int, spacing: int, stretches: list[int], count: int, half: bool = False, odd: int = 1
) -> list:
    """Arguments of `shrink`; the finest scale is the one of spacing 1."""
    planes = RANDOM.random((3, rows, width), dtype=np.float32) - np.float32(0.2)
    pairs = (np.arange(rows) + odd) // 2
    columns = (spacing * RANDOM.choice(stretches, rows)).astype(np.int32)[pairs]
    noise = RANDOM.random((3, 4), dtype=np.float32) + np.float32(0.01)
    shares = RANDOM.random((rows, 5), dtype=np.float32)[pairs] + np.float32(0.05)
    left = rows - 4 * spacing
    smooth = np.zeros((3, (left - 2 - odd) // 2, width // 2) if half else (3, left, width), np.float32)
    return [
        planes,
        spacing,
        int(spacing == 1),
        columns,
        noise,
        shares,
        CONTROL,
        odd,
        2 + odd if half else 0,
        int(half),
        smooth,
        np.ones((3, count, width), np.float32),
    ]


@pytest.mark.parametrize(
    ("rows", "width", "spacing", "stretches", "count", "half", "odd"),
    [
        (30, 200, 1, [1], 20, False, 0),
        (31, 200, 1, [1], 21, False, 1),
        (31, 200, 1, [1], 1, False, 0),
        (30, 300, 1, [1, 2, 4, 8], 10, True, 0),
        (30, 2600, 1, [1, 2], 20, True, 1),
        (44, 700, 2, [1, 2, 4], 24, True, 0),
        (45, 700, 2, [1, 2, 4], 25, True, 1),
        (45, 257, 4, [1, 2], 5, False, 1),
        (44, 257, 4, [1, 2], 4, False, 0),
    ],
)
def test_both_forms_give_the_same_bits(
    rows: int, width: int, spacing: int, stretches: list[int], count: int, half: bool, odd: int
) -> None:
    given = scale(rows, width, spacing, stretches, count, half, odd)
    fast, slow = [a.copy() for a in given[-2:]], [a.copy() for a in given[-2:]]
    shrink(*given[:-2], *fast)
    shrink.__wrapped__(*given[:-2], *slow)
    assert np.array_equal(fast[0], slow[0])
    assert np.array_equal(fast[1], slow[1])


def test_half_size_is_the_mean_of_two_by_two() -> None:
    given = scale(30, 200, 1, [1], 20, half=True)
    whole = np.zeros((3, 26, 200), np.float32)
    shrink(*given)
    shrink(*given[:7], 1, 0, 0, whole, given[-1])
    assert np.allclose(given[-2], whole[:, 3:25].reshape(3, 11, 2, 100, 2).mean(axis=(2, 4)), atol=1e-6)


def test_where_nothing_is_to_go_nothing_changes() -> None:
    given = scale(30, 200, 1, [1], 20)
    given[6] = np.array([[3, 0], [3, 0], [3, 0]], np.float32)
    given[-1][:] = given[0][:, 5:-5]
    shrink(*given)
    assert np.array_equal(given[-1], given[0][:, 5:-5])


def test_what_is_nothing_but_noise_leaves_the_smooth_planes() -> None:
    given = scale(30, 200, 1, [1], 20)
    given[6] = np.array([[1e6, 1], [1e6, 1], [1e6, 1]], np.float32)
    given[-1][:] = given[0][:, 5:-5]
    shrink(*given)
    assert np.allclose(given[-1], given[-2][:, 3:-3], atol=1e-6)


def test_a_colour_that_goes_with_lightness_keeps_its_edge() -> None:
    """Nine times its noise in one, hardly above it in the other: alone, the colour's edge would be lost."""
    lightness = np.where(np.arange(200) // 25 % 2, 0.55, 0.45) * np.ones((60, 1))
    noise = 0.01 * RANDOM.standard_normal((3, 60, 200))
    planes = (np.stack([lightness, 0.25 * lightness, 0 * lightness]) + noise).astype(np.float32)
    alone = planes.copy()
    alone[0] = 0.5 + noise[0]
    errors = []
    for given in (planes, alone):
        out, smooth = given[:, 5:-5].copy(), np.zeros((3, 56, 200), np.float32)
        form = np.tile(np.array([0, 0, 0, 1e-4], np.float32), (3, 1))
        # What white noise of variance 1 has in the bands of this spline, and in all of its detail.
        shares = np.tile(np.array([0.143, 0.143, 0.274, 0.794, 0.794], np.float32), (60, 1))
        control = np.array([[2.5, 1], [3, 1], [3, 1]], np.float32)
        columns = np.ones(60, np.int32)
        shrink(given, 1, 1, columns, form, shares, control, 0, 0, 0, smooth, out)
        found = out[1]
        at_edges = (np.arange(200) + 2) % 25 < 4
        errors.append(float(np.std((found - 0.25 * lightness[5:-5])[:, at_edges])))
    assert errors[0] < 0.7 * errors[1]


def test_a_colour_far_above_its_noise_stays_where_the_noise_of_lightness_falls_off() -> None:
    """A dark curtain beside a bright window: a wrong guess from lightness must not be believed."""
    bright = np.where(np.arange(200) // 25 % 2, 4, 0.02) * np.ones((60, 1))
    colour = np.where(np.arange(200) % 50 < 31, 0.005, -0.01) + 0.002 * RANDOM.standard_normal((60, 200))
    planes = np.stack([bright + 0.004 * RANDOM.standard_normal((60, 200)), colour, -colour]).astype(
        np.float32
    )
    noise = np.array([[1e-4, 0, 0, 1e-10], [0, 0, 0, 1e-9], [0, 0, 0, 1e-9]], np.float32)
    given = scale(60, 200, 1, [1], 50)
    given[0], given[4] = planes, noise
    given[5][:], given[-1][:] = 0.2, planes[:, 5:-5]
    given[5][:, 3:] = 0.8
    given[6] = np.array([[2.5, 1], [3, 1], [3, 1]], np.float32)
    shrink(*given)
    lost = (given[-1] - planes[:, 5:-5])[1:]
    assert np.max(np.abs(lost)) < 0.001


def test_a_turn_of_the_planes_turns_what_comes_out() -> None:
    given = scale(30, 300, 1, [1, 2, 4], 20)
    plain, turned = [a.copy() for a in given[-2:]], [a.copy() for a in given[-2:]]
    shrink(*given[:-2], *plain)
    shrink(np.ascontiguousarray(np.roll(given[0], 77, axis=2)), *given[1:-2], *turned)
    assert all(np.array_equal(np.roll(a, 77, axis=2), b) for a, b in zip(plain, turned, strict=True))


@needs_kernels
@pytest.mark.parametrize(
    ("which", "value", "says"),
    [
        (1, 2, "smooth"),
        (1, 0, "spacing"),
        (3, np.full(30, 34, np.int32), "columns"),
        (3, np.zeros(30, np.int32), "columns"),
        (1, 3, "spacing"),
        (3, np.arange(1, 31, dtype=np.int32), "columns"),
        (7, 2, "odd"),
        (8, -1, "smooth"),
        (8, 1, "smooth"),
        (10, np.zeros((3, 14, 100), np.float32), "smooth"),
        (10, np.zeros((3, 13, 99), np.float32), "smooth"),
        (10, np.zeros((3, 13, 100), np.float32), "smooth"),
        (11, np.zeros((3, 22, 200), np.float32), "change"),
        (11, np.zeros((3, 19, 200), np.float32), "change"),
    ],
)
def test_what_leads_out_of_an_array_is_refused(which: int, value: object, says: str) -> None:
    given = scale(30, 200, 1, [1], 20)
    given[which] = value
    with pytest.raises(ValueError, match=says):
        shrink(*given)


def picture_and_places(count: int = 6, width: int = 131) -> tuple[np.ndarray, ...]:
    light = RANDOM.random((count, width, 3), dtype=np.float32)
    coarse = RANDOM.random((3, 3, 10), dtype=np.float32)
    rows, columns = RANDOM.integers(0, 3, (count, 2)), RANDOM.integers(0, 10, (width, 2))
    down, along = RANDOM.random(count, dtype=np.float32), RANDOM.random(width, dtype=np.float32)
    return light, coarse, rows.astype(np.int32), down, columns.astype(np.int32), along


def test_planes_are_orthonormal_and_lead_back() -> None:
    light, coarse, rows, down, columns, along = picture_and_places()
    fast, slow = np.empty((2, 3, 6, 131), np.float32)
    part_planes(light, coarse, rows, down, columns, along, fast)
    part_planes.__wrapped__(light, coarse, rows, down, columns, along, slow)
    assert np.array_equal(fast, slow)
    assert np.allclose(OPPONENT_OF_LIGHT @ OPPONENT_OF_LIGHT.T, np.eye(3))
    back, slow = np.empty((2, 6, 131, 3), np.float32)
    join_planes(fast, back)
    join_planes.__wrapped__(fast, slow)
    assert np.array_equal(back, slow)
    lines = coarse[:, rows[:, 0]] * (1 - down[:, None]) + coarse[:, rows[:, 1]] * down[:, None]
    added = lines[..., columns[:, 0]] * (1 - along) + lines[..., columns[:, 1]] * along
    added = np.moveaxis(added, 0, -1) @ OPPONENT_OF_LIGHT
    assert np.allclose(back, light + added, atol=1e-5)


@needs_kernels
def test_places_that_are_not_in_the_coarse_planes_are_refused() -> None:
    light, coarse, rows, down, columns, along = picture_and_places()
    planes = np.empty((3, 6, 131), np.float32)
    rows[3] = 1, 3
    with pytest.raises(ValueError, match="not all in the coarse planes"):
        part_planes(light, coarse, rows, down, columns, along, planes)


@pytest.mark.parametrize(("width", "odd"), [(200, 0), (2600, 1)])
def test_the_finest_scale_straight_from_light(width: int, odd: int) -> None:
    """The same bits as of planes that are held whole."""
    places = picture_and_places(31, width)
    _, _, _, steps, *given, change = scale(31, width, 1, [1, 2], 21, half=True, odd=odd)
    fast, slow = ([given[-1].copy(), change.copy()] for _ in range(2))
    *how, fresh, _ = given
    assert fresh
    shrink_finest(*places, steps, *how, *fast)
    shrink_finest.__wrapped__(*places, steps, *how, *slow)
    assert np.array_equal(fast[0], slow[0])
    assert np.array_equal(fast[1], slow[1])


@needs_kernels
def test_what_leads_out_of_an_array_is_refused_of_light_too() -> None:
    _, _, _, steps, *how, _, smooth, change = scale(31, 200, 1, [1], 21, odd=0)
    places = picture_and_places(31, 200)
    with pytest.raises(ValueError, match="change"):
        shrink_finest(*places, steps, *how, smooth, np.zeros((3, 23, 200), np.float32))
    places[4][7] = 9, 10
    with pytest.raises(ValueError, match="not all in the coarse planes"):
        shrink_finest(*places, steps, *how, smooth, change)
