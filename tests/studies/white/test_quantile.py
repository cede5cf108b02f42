import numpy as np
import pytest

from panopipe.studies.white.quantile import weighted_quantile


def test_whole_weights_count_as_values_that_come_as_often() -> None:
    random = np.random.default_rng(3)
    values, times = random.random(40), random.integers(0, 4, 40)
    repeated = np.sort(np.repeat(values, times))
    for share in (0.1, 0.5, 0.9, 1.0):
        at = int(np.ceil(share * len(repeated))) - 1
        assert weighted_quantile(values, times.astype(float), share) == repeated[at]


def test_shape_does_not_matter() -> None:
    values = np.arange(12.0).reshape(3, 4)
    assert weighted_quantile(values, np.ones((3, 4)), 0.5) == 5.0


def test_nothing_has_no_quantile() -> None:
    with pytest.raises(IndexError):
        weighted_quantile(np.ones(3), np.zeros(3), 0.5)
