"""Parts of a frame that no camera wrote are found where a coding cannot tell; a scene has none."""

from collections.abc import Callable

import numpy as np
import pytest

from panopipe.studies.damage.report import damage
from panopipe.studies.damage.summary import summary

HEIGHT, WIDTH = 128, 256
RANDOM = np.random.default_rng(7)


def scene() -> np.ndarray:
    """A room with a blown window, a dark door, noise, and shading over the sphere."""
    row, column = np.mgrid[:HEIGHT, :WIDTH]
    light = 0.1 + 0.05 * np.cos(2 * np.pi * column / WIDTH) + 0.04 * np.cos(np.pi * row / HEIGHT)
    light[30:70, 70:140] = 2.0
    light[60:100, 160:200] = 0.004
    light = light[..., None] * (1.0, 0.8, 0.6) * RANDOM.normal(1, 0.02, (HEIGHT, WIDTH, 3))
    return (np.clip(light, 0, 1) * 65535).astype(np.uint16)


def said(samples: np.ndarray, segment: tuple[int, int] = (16, WIDTH), *, cosine_coded: bool = False) -> str:
    seen = summary(
        lambda a, b: samples[a:b], samples.shape[:2], segment, largest=65535.0, linear=not cosine_coded
    )
    return damage(seen, cosine_coded=cosine_coded)


def zeros(samples: np.ndarray) -> None:
    samples[48:64] = 0


def zero_tile(samples: np.ndarray) -> None:
    samples[64:128, 64:128] = 0


def hole(samples: np.ndarray) -> None:
    samples.reshape(-1, 3)[90 * WIDTH + 20 :][: 512 // 6] = 0


def hole_over_the_end_of_a_row(samples: np.ndarray) -> None:
    samples.reshape(-1, 3)[91 * WIDTH - 44 :][: 512 // 6] = 0


def hole_in_clipped_light(samples: np.ndarray) -> None:
    samples[50, 70:][: 512 // 6] = 0  # half of it beside the window


def noise(samples: np.ndarray) -> None:
    samples.reshape(-1)[3 * 90 * WIDTH :][:1024] = RANDOM.integers(0, 65536, 1024)


def copied(samples: np.ndarray) -> None:
    samples[96:112] = samples[16:32]


def shifted(samples: np.ndarray) -> None:
    samples[90, 100:, 1] += 4096


@pytest.mark.parametrize(
    ("spoil", "kind"),
    [
        (zeros, "filled"),
        (zero_tile, "filled"),
        (hole, "filled"),
        (hole_over_the_end_of_a_row, "filled"),
        (hole_in_clipped_light, "filled"),
        (noise, "random"),
        (copied, "a copy"),
        (shifted, "shifted"),
    ],
)
def test_what_no_camera_wrote_is_found(spoil: Callable[[np.ndarray], None], kind: str) -> None:
    samples = scene()
    segment = (64, 64) if spoil is zero_tile else (16, WIDTH)
    assert said(samples, segment) == ""
    spoil(samples)
    assert kind in said(samples, segment)


def test_a_step_of_whole_blocks_is_found_where_samples_are_cosine_coded() -> None:
    """A changed code of a block's mean: all blocks behind it are lighter."""
    samples = scene()
    samples[76:] = samples[75]  # calm rows, as cosines of few digits leave them
    samples.reshape(-1, WIDTH, 3)[80:88, 96:] += 6000
    samples[88:] += 6000
    assert "shifted" in said(samples, (HEIGHT, WIDTH), cosine_coded=True)


@pytest.mark.parametrize(
    "paint",
    [
        lambda samples: samples[:8].fill(0),
        lambda samples: samples[-20:].fill(0),
        lambda samples: samples[:30].fill(65535),
        lambda samples: samples.__setitem__(slice(None), samples[:, :1]),
        lambda samples: samples.fill(20000),
    ],
    ids=["a black cap", "a covered tripod", "a blown sky", "shading by rows alone", "one grey"],
)
def test_what_a_sound_frame_may_show_is_no_damage(paint: Callable[[np.ndarray], None]) -> None:
    samples = scene()
    paint(samples)
    assert said(samples, (1, WIDTH)) == ""
    assert said(samples, (64, 64)) == ""


def test_a_sharp_edge_that_ends_with_its_tile_is_no_shifted_row() -> None:
    """As where a frame was enlarged by whole pixels: half of the step is all that a row is off there."""
    light = 0.2 * RANDOM.normal(1, 0.004, (HEIGHT, WIDTH, 3))
    light[36:60, 128:] *= 1.5
    samples = np.repeat((light * 65535).astype(np.uint16)[::2], 2, axis=0)
    assert said(samples, (64, 256)) == ""
