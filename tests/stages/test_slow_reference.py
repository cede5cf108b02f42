"""What was made fast, against the same mathematics written plainly in float64."""

from itertools import pairwise

import numpy as np
import pytest

from panopipe.colour.adaptation import working_adaptation
from panopipe.colour.spaces import D65_XY, SRGB_FROM_WORKING, XYZ_FROM_SRGB, xyz_from_xy
from panopipe.colour.temperature import planckian_xy
from panopipe.colour.transfer import srgb_encode
from panopipe.frame import Band, Frame, FrameFacts, FrameKey
from panopipe.pixels.chromaticity import shift_colours
from panopipe.pixels.easing import smooth_step
from panopipe.sphere.reduce import AreaReducer
from panopipe.stage import StageContext
from panopipe.stages import tone
from panopipe.stages.vibrance import CELLS, HIGHEST, LOWEST, chroma_table
from panopipe.studies.floor.labels import choose_labels, seam_prices
from panopipe.studies.light.curve import KNEE
from panopipe.studies.light.local import LocalCurves
from panopipe.studies.light.render import CHANNEL_SHARE, CROWDED, GLOW, HEADROOM, TINT, Rendering
from tests.makers.shoulder import shoulder

RANDOM = np.random.default_rng(8)


def bilinear(table: np.ndarray, y: np.ndarray, x: np.ndarray) -> np.ndarray:
    """Values of a table (rows, columns, ...) between its nodes."""
    top = np.clip(np.floor(y).astype(int), 0, table.shape[0] - 2)
    left = np.clip(np.floor(x).astype(int), 0, table.shape[1] - 2)
    down, right = (y - top)[..., None], (x - left)[..., None]
    upper = table[top, left] * (1 - right) + table[top, left + 1] * right
    lower = table[top + 1, left] * (1 - right) + table[top + 1, left + 1] * right
    return upper * (1 - down) + lower * down


def codes(light: np.ndarray) -> np.ndarray:
    """sRGB codes, not rounded; of light within 0 and 1."""
    return 255 * srgb_encode(np.clip(light, 0, 1))


def test_vibrance_is_within_a_tenth_of_a_code() -> None:
    rows = RANDOM.random((40, 700, 3), dtype=np.float32) ** 3
    table = chroma_table(0.12, np.diag([1.1, 1.0, 0.9]))
    total = rows.sum(axis=-1, dtype=np.float64)
    place = (rows[..., :2] / total[..., None] - LOWEST) * (CELLS - 1) / (HIGHEST - LOWEST)
    slow = rows + bilinear(table[..., :3].astype(np.float64), place[..., 1], place[..., 0]) * total[..., None]
    assert np.abs(codes(shift_colours(rows.copy(), table, LOWEST, HIGHEST)) - codes(slow)).max() < 0.1


def read_slowly(curves: LocalCurves, luminance: np.ndarray, first: int = 0) -> np.ndarray:
    """Curves at the pixels of some rows, between nodes in pitch, log2 luminance and yaw."""
    table = curves.table.transpose(0, 2, 1).astype(np.float64)
    (count, levels, columns), width = table.shape, luminance.shape[1]
    across = (np.arange(width) + 0.5) * (columns - 2) / width + 0.5
    level = (np.log2(np.maximum(luminance, 1e-30)) - curves.lowest_ev) / curves.level_ev
    values = np.empty(luminance.shape)
    for row, levels_of_row in enumerate(np.clip(level, 0, levels - 1)):
        place = (first + row + 0.5) * (count - 2) / (width // 2) + 0.5
        above = int(place)
        between = table[above] + (place - above) * (table[above + 1] - table[above])
        values[row] = bilinear(between[..., None], levels_of_row, across)[..., 0]
    return values


def _view_slowly(prepared: Rendering, rows: np.ndarray, light: np.ndarray) -> np.ndarray:
    """How far each pixel shows the outside."""
    if prepared.outlook is None:
        return np.zeros_like(light)
    planes, curves = prepared.outlook.planes.astype(np.float64), prepared.outlook.gains
    down, across = (
        (np.arange(size) + 0.5) * (nodes - 2) / size + 0.5
        for size, nodes in zip(light.shape, planes.shape, strict=False)
    )
    at = bilinear(planes, *np.broadcast_arrays(down[:, None], across[None]))
    level = (np.log2(np.maximum(light, 1e-30)) - curves.lowest_ev) / curves.level_ev
    colour = np.clip(rows[..., ::2] / np.maximum(rows.sum(axis=-1, keepdims=True), 1e-30), 0, 1)
    seen = np.concatenate([np.clip(level, 0, curves.table.shape[2] - 1)[..., None], colour], axis=-1)
    return np.clip(np.sum(seen * at[..., :3], axis=-1) + at[..., 3], 0, 1)


def toned_slowly(rows: np.ndarray, prepared: Rendering) -> np.ndarray:
    """The picture of a whole frame by what tone learned.

    A gain by luminance and place, and daylight in views nearer to white; then the shoulder. Luminance goes
    over it. Tints and what glows fade as it flattens, colours keep their saturation. What the screen has no
    room for goes over a shoulder between luminance and white, in two ways, mixed: all chroma shrinks until
    the strongest channel has room, and each channel goes over by itself, with white added until luminance
    is right.
    """
    rows = rows.astype(np.float64)
    light = rows @ prepared.luminance[0].astype(np.float64)
    view, gain_ev = _view_slowly(prepared, rows, light), read_slowly(prepared.gains, light)
    if prepared.outlook is not None:
        gain_ev += view * (read_slowly(prepared.outlook.gains, light) - gain_ev)
    gain = np.exp2(gain_ev)[..., None]
    if prepared.views is not None:
        share = read_slowly(prepared.views.shares, light)
        share += view * (1 - share)
        rows = rows + share[..., None] * (rows @ prepared.views.change.T)
    if prepared.white_point is None:
        return rows * gain
    white_ev = float(np.log2(prepared.white_point))
    channels = rows * gain @ prepared.screen.T
    light = channels @ XYZ_FROM_SRGB[1]
    shown = shoulder(light, white_ev)
    flat = 1 - np.maximum(shown - KNEE, 0) / (1 - KNEE)
    coloured = (np.ptp(channels, axis=-1) / np.maximum(light, 1e-6) / TINT) ** 3
    coloured = coloured / (1 + coloured) * (1 - smooth_step((light - GLOW[0]) / (GLOW[1] - GLOW[0])))
    kept = flat**3 + coloured * np.maximum(shown / np.maximum(light, 1e-6) - flat**3, 0)
    away = (1 + HEADROOM) * (channels - light[..., None]) * kept[..., None]
    left = np.maximum(1 - shown, 1e-6)[..., None]
    fitted = left * shoulder(away / left, 40.0, CROWDED)
    strongest = away.max(axis=-1, keepdims=True)
    by_chroma = away * fitted.max(axis=-1, keepdims=True) / np.maximum(strongest, 1e-9)
    missing = -(fitted @ XYZ_FROM_SRGB[1])[..., None]
    by_channel = fitted + missing / (left + missing) * (left - fitted)
    chroma = (1 - CHANNEL_SHARE) * by_chroma + CHANNEL_SHARE * by_channel
    return (shown[..., None] + chroma / (1 + HEADROOM)) @ prepared.from_screen.T


def lit_room(width: int, seed: int = 3) -> np.ndarray:
    """Light of every strength and colour: dim corners, walls, a window, a lamp, and black."""
    random, height = np.random.default_rng(seed), width // 2
    light = np.exp2(random.uniform(-9, -1, (height // 8, width // 8))).repeat(8, axis=0).repeat(8, axis=1)
    light[height // 4 : height // 2, : width // 4] *= 32
    light[height // 2 : height // 2 + 5, 40:60] = 90.0
    light[-3:] = 0
    tint = random.dirichlet((12.0, 12.0, 12.0), (height, width)) * 3
    return (light[..., None] * tint).astype(np.float32)


LOOKS = {
    "found": tone.ToneSettings(),
    "no shoulder": tone.ToneSettings(exposure_ev=1.0, highlights_ev=-3.0, shoulder_ev=0.0),
    "strong": tone.ToneSettings(2.0, -4.0, 2.0, 30.0, 6.0, -6.0, 50.0),
}


@pytest.mark.parametrize("look", LOOKS)
@pytest.mark.parametrize("kelvin", [6504.0, 2900.0])
def test_tone_is_within_half_a_code(look: str, kelvin: float) -> None:
    rows, settings = lit_room(512), LOOKS[look]
    correction = working_adaptation(xyz_from_xy(planckian_xy(kelvin)), xyz_from_xy(D65_XY))
    facts = FrameFacts(
        FrameKey("", "frame"), 512, 256, correction=correction, white_xy=tuple(planckian_xy(5500.0))
    )
    prepared = tone.Tone().prepare(StageContext(Frame(rows.copy(), facts)), settings).data
    fast = tone.Tone().apply(Band(rows.copy(), 0, facts), settings, prepared)
    slow = toned_slowly(rows, prepared)
    shown = [codes(picture @ (SRGB_FROM_WORKING @ correction).T) for picture in (fast, slow)]
    assert shown[1].std() > 20  # a picture, not black or white
    assert np.abs(shown[0] - shown[1]).max() < 0.5


def test_a_reduced_frame_is_the_mean_over_solid_angle() -> None:
    frame = RANDOM.random((60, 120, 3), dtype=np.float32)
    reducer = AreaReducer(120, 60, 48)
    reducer.take(frame, 0)
    edges = np.linspace(0, 60, 25)
    fine = np.repeat(frame.astype(np.float64), 2, axis=1)  # 5 half columns make a column of the result
    columns = fine.reshape(60, 48, 5, 3).mean(axis=2)
    for row, (top, bottom) in enumerate(pairwise(edges)):
        cuts = np.clip(np.arange(61), top, bottom)
        weight = -np.diff(np.cos(np.pi * cuts / 60))
        slow = np.tensordot(weight / weight.sum(), columns, axes=1)
        assert np.abs(reducer.result()[row] - slow).max() < 1e-6


def slow_labels(unary: np.ndarray, prices: np.ndarray, region: np.ndarray, sweeps: int) -> np.ndarray:
    """Belief propagation pixel by pixel, line by line: right, left, down, up."""
    height, width, _ = unary.shape
    message = {way: np.zeros_like(unary) for way in ("right", "left", "down", "up")}
    for _ in range(sweeps):
        for way, (dy, dx) in {"right": (0, 1), "left": (0, -1), "down": (1, 0), "up": (-1, 0)}.items():
            others = ("down", "up") if dx else ("right", "left")
            rows = range(height) if dy >= 0 else reversed(range(height))
            for y in list(rows):
                for x in list(range(width) if dx >= 0 else reversed(range(width))):
                    to_y, to_x = y + dy, x + dx
                    if not (0 <= to_y < height and 0 <= to_x < width):
                        continue
                    if not (region[y, x] and region[to_y, to_x]):
                        continue
                    belief = unary[y, x] + sum(message[other][y, x] for other in (*others, way))
                    best = (belief[:, None] + prices[y, x] + prices[to_y, to_x]).min(axis=0)
                    message[way][to_y, to_x] = best - best.min()
    return (unary + sum(message.values())).argmin(axis=-1)


def slow_seams(shifted: np.ndarray, valid: np.ndarray, strange: float) -> np.ndarray:
    """Half the price of a seam between any two labels, pixel by pixel."""
    gap = np.square(shifted[:, None].astype(np.float64) - shifted[None]).sum(-1)
    gap[~(valid[:, None] & valid[None])] = strange
    gap[np.diag_indices(len(shifted))] = 0
    return np.moveaxis(gap, (0, 1), (2, 3))


def test_labels_are_those_of_the_plain_loops() -> None:
    shifted = RANDOM.random((5, 9, 11, 3)).astype(np.float32)
    valid = RANDOM.random((5, 9, 11)) > 0.1
    unary = 3 * RANDOM.random((9, 11, 5)).astype(np.float32)
    region = np.hypot(*np.mgrid[-1:1:9j, -1:1:11j]) < 1.1
    fast = choose_labels(unary, seam_prices(shifted, valid, strange=2.0), region, sweeps=2)
    slow = slow_labels(unary.astype(np.float64), slow_seams(shifted, valid, 2.0), region, 2)
    assert np.array_equal(fast[region], slow[region])
