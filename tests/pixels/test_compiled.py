"""The compiled forms are there wherever they can be, and refuse what would lead them out of an array."""

import shutil
import sysconfig

import numpy as np
import pytest

from panopipe.pixels import compiled
from panopipe.pixels.adaptation import NEVER
from panopipe.pixels.gamut import LINE, fit
from panopipe.pixels.matrix import _transform
from panopipe.pixels.render import Shoulder, render

needs_kernels = pytest.mark.skipif(
    not compiled.COMPILED, reason="panopipe was installed without a compiler; the definitions in numpy run"
)


def test_they_are_there_where_a_compiler_is() -> None:
    compiler = (sysconfig.get_config_var("CC") or "cl").split()[0]
    assert compiled.COMPILED or shutil.which(compiler) is None


def test_without_them_the_definition_runs() -> None:
    def definition(value: int) -> int:
        return value + 1

    operation = compiled.compiled("no kernel of this name")(definition)
    assert operation(1) == 2
    assert operation.__wrapped__ is definition


@needs_kernels
@pytest.mark.parametrize(
    "colours",
    [
        np.zeros((4, 3)),
        np.zeros((4, 4), np.float32),
        np.zeros((2, 2, 3), np.float32),
        np.zeros((4, 6), np.float32)[:, ::2],
        np.zeros((4, 3), ">f4"),
        np.broadcast_to(np.float32(0), (4, 3)),
    ],
    ids=["float64", "four planes", "three sides", "with gaps", "bytes swapped", "read-only"],
)
def test_an_array_of_another_kind_is_refused(colours: np.ndarray) -> None:
    with pytest.raises((ValueError, BufferError)):
        fit(colours, LINE, 1.0)


@needs_kernels
def test_arrays_that_do_not_go_together_are_refused() -> None:
    rows, affine = np.zeros((2, 5, 3), np.float32), np.zeros((3, 4), np.float32)
    with pytest.raises(ValueError, match="out: not an array of the type and shape"):
        _transform(rows, affine, np.zeros((2, 4, 3), np.float32), 0)
    with pytest.raises(TypeError):
        _transform(rows, affine, "text", 0)  # type: ignore[arg-type]
    for start in (-1, 6):
        with pytest.raises(ValueError, match="start"):
            _transform(rows, affine, rows.copy(), start)


@needs_kernels
@pytest.mark.parametrize(
    ("gains", "shares", "weights", "why"),
    [
        ((9, 2, 7), (9, 2, 7), (12, 3), "curves"),
        ((9, 7, 18), (5, 7, 18), (12, 3), "as many shares"),
        ((9, 7, 18), (9, 7, 17), (12, 3), "shares"),
        ((9, 7, 18), (9, 7, 18), (11, 3), "weights"),
    ],
)
def test_curves_that_do_not_go_together_are_refused(
    gains: tuple, shares: tuple, weights: tuple, why: str
) -> None:
    rows = np.zeros((4, 8, 3), np.float32)
    tables = {"gains": np.zeros(gains, np.float32), "shares": np.zeros(shares, np.float32)}
    shoulder = Shoulder(8.0, 0.7, 0.3, 0.8, 0.35, 0.3, (1.0, 2.0))
    with pytest.raises(ValueError, match=why):
        render(
            rows,
            0,
            **tables,
            levels_ev=(-6.0, 1.0),
            weights=np.zeros(weights, np.float32),
            saturating=NEVER,
            rebuilt=NEVER,
            shoulder=shoulder,
        )
