import numpy as np
import pytest

from panopipe.pixels.matrix import _transform, transform_rows


@pytest.mark.parametrize("width", [2, 30, 1000, 2048])
@pytest.mark.parametrize("columns", [3, 4])
def test_a_pixels_bits_do_not_depend_on_its_place(width: int, columns: int) -> None:
    random = np.random.default_rng(3)
    rows = random.random((24, width, 3), dtype=np.float32)
    matrix = random.standard_normal((3, columns))
    whole = transform_rows(rows, matrix)
    for cut in (1, 5, 7, 16):
        bands = [transform_rows(rows[at : at + cut], matrix) for at in range(0, 24, cut)]
        assert np.array_equal(np.concatenate(bands), whole)
    turned = transform_rows(np.roll(rows, 7, axis=1), matrix)
    assert np.array_equal(turned, np.roll(whole, 7, axis=1))


def test_it_is_the_matrix_product() -> None:
    random = np.random.default_rng(4)
    rows = random.random((3, 50, 3), dtype=np.float32)
    matrix = random.standard_normal((3, 4))
    expected = rows.astype(np.float64) @ matrix[:, :3].T + matrix[:, 3]
    assert np.allclose(transform_rows(rows, matrix), expected, atol=1e-6)


@pytest.mark.parametrize("width", [0, 1, 127, 128, 1000])
def test_both_forms_give_the_same_bits_in_place_too(width: int) -> None:
    random = np.random.default_rng(5)
    rows, affine = random.random((2, width, 3), np.float32), random.random((3, 4), np.float32)
    defined = np.empty_like(rows)
    _transform.__wrapped__(rows, affine, defined, 0)
    _transform(rows, affine, rows, 0)
    assert np.array_equal(rows, defined)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32, ">u2", np.float64])
@pytest.mark.parametrize("start", [0, 1, 299])
def test_samples_of_any_kind_begin_where_they_shall(dtype: str, start: int) -> None:
    random = np.random.default_rng(6)
    rows, affine = (random.random((3, 300, 3)) * 255).astype(dtype), random.standard_normal((3, 4))
    slow = np.roll(rows, -start, axis=1).astype(np.float64) @ affine[:, :3].T + affine[:, 3]
    found = transform_rows(rows, affine, start=start)
    assert np.allclose(found, slow, rtol=1e-5, atol=1e-4)
    native = rows.astype(rows.dtype if rows.dtype.isnative and rows.dtype != np.float64 else np.float32)
    defined = np.empty(rows.shape, np.float32)
    _transform.__wrapped__(native, affine.astype(np.float32), defined, start)
    assert np.array_equal(found, defined)
