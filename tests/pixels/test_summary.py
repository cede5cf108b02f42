"""Rows in short: the compiled form does as the definition."""

import numpy as np
import pytest

from panopipe.pixels.summary import summarise


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("width", [16, 40, 160])
def test_the_compiled_form_does_as_the_definition(dtype: type, width: int) -> None:
    rows = np.random.default_rng(width).integers(0, np.iinfo(dtype).max + 1, (5, width, 3)).astype(dtype)
    rows[2, :16] = rows[2, 0]
    found, wanted = (np.empty((2, 5, width // 16), np.float32) for _ in range(2))
    summarise(rows, *found)
    summarise.__wrapped__(rows, *wanted)
    assert np.array_equal(found, wanted)
    assert found[1, 2, 0] == 0
    assert found[0, 2, 0] == pytest.approx(rows[2, 0].mean(), rel=1e-6)  # float32
