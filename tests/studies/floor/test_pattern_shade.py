"""Light and shade are told from a pattern that is as broad as they are."""

import numpy as np

from panopipe.studies.floor.pattern_shade import patternless_shade
from panopipe.studies.floor.shade import continued_shade

SIZE, RADIUS = 288, 48


def chequers_under_slope():
    rows, columns = np.indices((SIZE, SIZE))
    tiles = ((rows // 40 + columns // 40) % 2) * 2.0 - 1.0
    slope = 0.4 * (columns / SIZE - 0.5)
    logs = np.repeat((tiles + slope)[..., None], 3, axis=2).astype(np.float32)
    hole = np.hypot(rows - SIZE / 2 + 0.5, columns - SIZE / 2 + 0.5) < RADIUS
    logs[hole] = 0
    return logs, slope, hole


def test_chequers_are_no_shade_and_a_slope_of_the_light_is():
    logs, slope, hole = chequers_under_slope()
    broad_px = 0.4 * RADIUS

    def follows_tiles(shade):
        return np.std((shade[..., 1] - slope)[~hole])

    def off(shade):
        error = (shade[..., 1] - slope)[hole]
        return np.abs(error - error.mean()).max()

    ours, smoothed = (
        patternless_shade(logs, ~hole, RADIUS, 2, broad_px),
        continued_shade(logs, ~hole, broad_px),
    )
    # Of the tiles' difference of 2, three per cent, which is what counts as shade elsewhere.
    assert follows_tiles(ours) < 0.06 < follows_tiles(smoothed)
    assert off(ours) < 0.06 < off(smoothed)


def test_every_pixel_of_a_size_that_blocks_do_not_fill_is_answered():
    logs, _, hole = chequers_under_slope()
    shade = patternless_shade(logs[:-1, :-1], ~hole[:-1, :-1], RADIUS, 2, 0.4 * RADIUS)
    assert shade.shape == (SIZE - 1, SIZE - 1, 3)
    assert np.isfinite(shade).all()
