from dataclasses import replace

import numpy as np
import pytest

from panopipe.pixels import render as form
from panopipe.pixels.render import Shoulder, Zone, render

RANDOM = np.random.default_rng(12)
GAINS = RANDOM.uniform(-3, 3, (18, 34, 7)).astype(np.float32)
SHARES = RANDOM.random(GAINS.shape, np.float32)
WEIGHTS = RANDOM.random((12, 3), np.float32)
WEIGHTS /= WEIGHTS.sum(axis=1, keepdims=True)
PLANES = RANDOM.uniform(-0.4, 0.6, (10, 18, 4)).astype(np.float32)
PLANES[2:6, 4:12] = 0
ZONE = Zone(RANDOM.uniform(-6, 0, GAINS.shape).astype(np.float32), PLANES)
RELIT = replace(ZONE, relit=RANDOM.uniform(0.5, 2, (6, 10, 6)).astype(np.float32))
SHOULDER = Shoulder(
    white_point=8.0, knee=0.7, headroom=0.3, crowded=0.75, channel_share=0.35, tint=0.4, glow=(1.0, 3.0)
)


def rendered(rows: np.ndarray, first: int = 0, **other: object) -> np.ndarray:
    found = rows.copy()
    kinds = {"gains": GAINS, "shares": SHARES, "weights": WEIGHTS, "shoulder": SHOULDER} | other
    kinds = {"saturating": (2.0, 4.0), "rebuilt": (1.5, 3.0)} | kinds
    render(found, first, levels_ev=(-6.0, 1.5), **kinds)  # type: ignore[arg-type]
    return found


def light(width: int) -> np.ndarray:
    """A whole frame, from black to far beyond the white point."""
    strength = np.exp2(RANDOM.uniform(-12, 6, (width // 2, width, 1)))
    rows = (strength * RANDOM.random((width // 2, width, 3))).astype(np.float32)
    rows[::5, ::7] = 0
    return rows


@pytest.mark.parametrize("width", [2, 126, 128, 400])
@pytest.mark.parametrize("shares", [SHARES, None])
@pytest.mark.parametrize("white_point", [0.0, 8.0])
@pytest.mark.parametrize("zone", [ZONE, RELIT, None])
def test_both_forms_give_the_same_bits(
    width: int,
    shares: np.ndarray | None,
    white_point: float,
    zone: Zone | None,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    shoulder = replace(SHOULDER, white_point=white_point)
    rows, kinds = light(width), {"shares": shares, "shoulder": shoulder, "zone": zone}
    compiled = rendered(rows, **kinds)
    monkeypatch.setattr(form, "_render", form._render.__wrapped__)
    assert np.array_equal(rendered(rows, **kinds), compiled)


def test_same_bits_however_cut() -> None:
    rows = light(300)
    whole = rendered(rows, zone=ZONE)
    for cut in (1, 7, 32):
        parts = [rendered(rows[at : at + cut], at, zone=ZONE) for at in range(0, 150, cut)]
        assert np.array_equal(np.concatenate(parts), whole)


def test_a_zone_has_its_own_gains_from_one_level_on() -> None:
    # Below the level the frame's gain, above it the zone's, a line between; and none of it beyond the zone.
    planes = np.zeros((10, 18, 4), np.float32)
    planes[:, :9] = 2.0, 0.0, 0.0, -5.0  # from level 2.5 to 3
    zone = Zone(np.full_like(GAINS, -4), planes)
    rows = np.exp2(np.array([-6.0 + 1.5 * 2.4, -6.0 + 1.5 * 2.75, -6.0 + 1.5 * 3.1])).astype(np.float32)
    for place, gains in ((0, [0.0, -2.0, -4.0]), (320, [0.0, 0.0, 0.0])):
        frame = np.ones((200, 400, 3), np.float32)
        frame[100, place : place + 3] = rows[:, None]
        shoulder = replace(SHOULDER, white_point=0.0)
        weights = np.full_like(WEIGHTS, 1 / 3)
        kinds = {"shares": None, "zone": zone, "shoulder": shoulder, "weights": weights}
        after = rendered(frame, gains=np.zeros_like(GAINS), **kinds)
        assert np.log2(after[100, place : place + 3, 0] / rows) == pytest.approx(gains, abs=1e-3)


def test_a_zone_of_the_wrong_size_is_refused() -> None:
    with pytest.raises(ValueError, match="zone"):
        rendered(light(128), zone=Zone(ZONE.gains, PLANES[:2]))


def test_a_zone_has_its_own_light() -> None:
    planes = np.zeros((10, 18, 4), np.float32)
    planes[:, :9, 3] = 1.0
    gains = np.array([1.5, 1.0, 0.5], np.float32)
    both = np.concatenate([gains, np.ones(3, np.float32)])
    zone = Zone(np.zeros_like(GAINS), planes, np.tile(both, (6, 10, 1)))
    frame = np.full((200, 400, 3), 0.4, np.float32)
    after = rendered(
        frame, gains=np.zeros_like(GAINS), shares=None, zone=zone, shoulder=replace(SHOULDER, white_point=0.0)
    )
    assert after[100, 50] == pytest.approx(0.4 * gains, abs=1e-6)
    assert after[100, 350] == pytest.approx(0.4)


def test_what_saturated_keeps_the_white_that_it_has() -> None:
    # A fault once seen: clipped skies, neutral already, were peach where the view got its own white.
    planes = np.tile(np.array([0.0, 0.0, 0.0, 1.0], np.float32), (10, 18, 1))
    gains, balance = np.array([1.5, 1.0, 0.5], np.float32), np.array([0.5, 1.0, 2.0], np.float32)
    both = np.concatenate([gains, gains])
    zone = Zone(np.zeros_like(GAINS), planes, np.tile(both, (6, 10, 1)))
    weights, plain = np.full_like(WEIGHTS, 1 / 3), replace(SHOULDER, white_point=0.0)
    weights[11] = balance
    frame = np.full((200, 400, 3), 3.0, np.float32) / balance
    kinds = {
        "gains": np.zeros_like(GAINS),
        "shares": None,
        "zone": zone,
        "weights": weights,
        "shoulder": plain,
    }
    below, between, above = (
        rendered(frame, saturating=levels, **kinds)[100, 200] * balance / 3
        for levels in ((4.0, 6.0), (2.0, 4.0), (1.0, 2.0))
    )
    assert below == pytest.approx(gains)
    assert between == pytest.approx((1 + gains) / 2)
    assert above == pytest.approx([1, 1, 1])


def test_gains_of_channels_that_are_too_few_are_refused() -> None:
    with pytest.raises(ValueError, match="zone"):
        rendered(light(128), zone=replace(RELIT, relit=np.ones((2, 10, 6), np.float32)))
