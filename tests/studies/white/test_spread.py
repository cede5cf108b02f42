import numpy as np

from panopipe.studies.white.spread import over_sphere, spread

RANDOM = np.random.default_rng(4)
HEIGHT = 16
SHAPE = (HEIGHT, 2 * HEIGHT)


def links(step_right: np.ndarray | None = None, step_down: np.ndarray | None = None, weight: float = 5.0):
    none = np.zeros(SHAPE)
    return over_sphere(
        np.full(SHAPE, weight),
        np.full((HEIGHT - 1, SHAPE[1]), weight),
        none if step_right is None else step_right,
        none[1:] if step_down is None else step_down,
    )


def test_one_known_value_is_the_value_everywhere() -> None:
    weight = np.zeros(SHAPE)
    weight[3, 7] = 1.0
    found = spread(np.full(SHAPE, 0.7), weight, links(), np.zeros(SHAPE))
    assert np.allclose(found, 0.7, atol=1e-3)


def test_expected_steps_carry_a_value_over_the_sphere() -> None:
    true = np.sin(np.linspace(0, 2 * np.pi, SHAPE[1], endpoint=False))[None] * np.ones((HEIGHT, 1))
    true = true * np.sin((np.arange(HEIGHT)[:, None] + 0.5) / HEIGHT * np.pi)
    weight = np.zeros(SHAPE)
    weight[HEIGHT // 2, 3] = 1.0
    steps = links(np.roll(true, -1, axis=1) - true, true[1:] - true[:-1])
    assert np.allclose(spread(true, weight, steps, np.zeros(SHAPE)), true, atol=5e-3)


def test_it_turns_with_the_frame() -> None:
    known, weight = RANDOM.random(SHAPE), RANDOM.random(SHAPE)
    found = spread(known, weight, links(), np.zeros(SHAPE))
    turned = spread(np.roll(known, 5, axis=1), np.roll(weight, 5, axis=1), links(), np.zeros(SHAPE))
    assert np.allclose(turned, np.roll(found, 5, axis=1), atol=1e-3)


def test_rings_at_the_poles_are_nearly_one_value() -> None:
    area = np.cos((np.arange(HEIGHT) + 0.5) / HEIGHT * np.pi - np.pi / 2)[:, None] * np.ones(SHAPE)
    found = spread(RANDOM.random(SHAPE), area, links(), np.zeros(SHAPE))
    steps = [np.abs(np.diff(row)).max() for row in (found[0], found[HEIGHT // 2])]
    assert steps[0] < 0.3 * steps[1]  # a cell at the pole is a tenth as wide
