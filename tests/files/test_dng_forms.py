"""Every form of linear DNG gives the samples that were put in."""

from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
import rawpy
import tifffile

from panopipe.files.dng import open_dng
from panopipe.files.tiff import read_directories
from tests.makers.dng import write_linear_dng

RANDOM = np.random.default_rng(7)
DEEP = RANDOM.integers(0, 65536, (40, 80, 3), dtype=np.uint16)
SHALLOW = (DEEP >> 8).astype(np.uint8)
FLOATS = (RANDOM.random((40, 80, 3)) * 1.6).astype(np.float32)
GENTLE = np.clip(np.indices((40, 80)).sum(0)[:, :, None] + np.array([0, 30, 60]), 0, 255).astype(np.uint8)

LAYOUTS: dict[str, dict[str, Any]] = {
    "one strip": {},
    "strips": {"rows_per_strip": 7},
    "tiles": {"tile": (16, 32)},
    "uneven tiles": {"tile": (24, 48)},
    "one large tile": {"tile": (48, 96)},
    "planes apart": {"planar": True},
}


def read(path: Path, band: int = 40) -> tuple[np.ndarray, str]:
    recorded = open_dng(path, read_directories(path))
    samples = recorded.samples
    rows = [np.array(samples.rows(at, min(at + band, 40))) for at in range(0, 40, band)]
    samples.close()
    return np.concatenate(rows), samples.reader


@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=LAYOUTS)
@pytest.mark.parametrize("big_endian", [False, True], ids=["little", "big"])
@pytest.mark.parametrize("band", [40, 3])
@pytest.mark.parametrize("bits", [8, 10, 12, 14, 16])
def test_uncompressed(tmp_path: Path, layout: dict, big_endian: bool, band: int, bits: int) -> None:
    samples = SHALLOW if bits == 8 else DEEP >> (16 - bits)
    path = write_linear_dng(tmp_path / "a.dng", samples, bits=bits, big_endian=big_endian, **layout)
    assert np.array_equal(read(path, band)[0], samples)


@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=LAYOUTS)
@pytest.mark.parametrize("compression", ["deflate", "lzw", "packbits"])
@pytest.mark.parametrize("big_endian", [False, True], ids=["little", "big"])
@pytest.mark.parametrize("predictor", [1, 2])
def test_whole_numbers_packed(
    tmp_path: Path, layout: dict, compression: Any, big_endian: bool, predictor: int
) -> None:
    path = write_linear_dng(
        tmp_path / "a.dng",
        DEEP,
        compression=compression,
        predictor=predictor,
        big_endian=big_endian,
        **layout,
    )
    assert np.array_equal(read(path)[0], DEEP)


@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=LAYOUTS)
@pytest.mark.parametrize("predictor", [1, 3, 34894, 34895])
@pytest.mark.parametrize("dtype", [np.float16, np.float32])
@pytest.mark.parametrize("compression", ["none", "deflate"])
def test_floats(tmp_path: Path, layout: dict, predictor: int, dtype: Any, compression: Any) -> None:
    """Predictor 1 among them, which the raw library decodes to black without an error."""
    samples = FLOATS.astype(dtype)
    predictor = 1 if compression == "none" else predictor
    path = write_linear_dng(
        tmp_path / "a.dng", samples, compression=compression, predictor=predictor, **layout
    )
    assert np.array_equal(read(path)[0], samples)


@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=LAYOUTS)
@pytest.mark.parametrize("bits", [8, 12, 14, 16])
def test_lossless_jpeg(tmp_path: Path, layout: dict, bits: int) -> None:
    """Several strips, or a tile beyond the picture's edge, are what the raw library may read wrongly."""
    samples = SHALLOW if bits == 8 else DEEP >> (16 - bits)
    path = write_linear_dng(tmp_path / "a.dng", samples, bits=bits, compression="ljpeg", **layout)
    assert np.array_equal(read(path)[0], samples)


@pytest.mark.parametrize("layout", [LAYOUTS["one strip"], LAYOUTS["tiles"]], ids=["one strip", "tiles"])
def test_the_raw_library_stands_in_for_a_codec_library_without_jpeg(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, layout: dict
) -> None:
    monkeypatch.setattr(imagecodecs.JPEG8, "available", False)
    path = write_linear_dng(tmp_path / "a.dng", DEEP, compression="ljpeg", **layout)
    seen, reader = read(path)
    assert np.array_equal(seen, DEEP)
    assert reader == "rawpy"
    path.write_bytes(path.read_bytes().replace(b"\xff\xd8\xff", bytes(3)))  # no picture starts here
    with pytest.raises(ValueError, match="is damaged"):
        read(path)


@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=LAYOUTS)
@pytest.mark.parametrize("bits", [8, 12, 16])
def test_jpeg_xl(tmp_path: Path, layout: dict, bits: int) -> None:
    samples = SHALLOW if bits == 8 else DEEP >> (16 - bits)
    path = write_linear_dng(tmp_path / "a.dng", samples, bits=bits, compression="jpegxl", **layout)
    assert np.array_equal(read(path)[0], samples)


@pytest.mark.parametrize("layout", [LAYOUTS["one strip"], LAYOUTS["tiles"]], ids=["one strip", "tiles"])
def test_jpeg_xl_floats_and_lossy(tmp_path: Path, layout: dict) -> None:
    floats = FLOATS / 2
    path = write_linear_dng(tmp_path / "a.dng", floats, compression="jpegxl", **layout)
    assert np.allclose(read(path)[0], floats, atol=1e-6)
    path = write_linear_dng(
        tmp_path / "b.dng", GENTLE, compression="jpegxl", lossy_jpegxl_distance=0.5, **layout
    )
    assert np.abs(read(path)[0].astype(int) - GENTLE).mean() < 2


@pytest.mark.parametrize("layout", [LAYOUTS["one strip"], LAYOUTS["tiles"]], ids=["one strip", "tiles"])
def test_lossy_jpeg_goes_through_the_files_own_table(tmp_path: Path, layout: dict) -> None:
    """The raw library ignores the table here and puts a curve of its own in its place."""
    table = (np.linspace(0, 1, 256) ** 2 * 65535).round().astype(np.uint16)
    path = write_linear_dng(
        tmp_path / "a.dng", GENTLE, compression="jpeg", jpeg_level=100, linearization=table, **layout
    )
    seen, _ = read(path)
    codes = np.searchsorted(table, seen)
    assert seen.dtype == np.uint16
    assert np.abs(codes - GENTLE.astype(int)).max() <= 2  # JPEG at its best level


@pytest.mark.parametrize("compression", ["none", "ljpeg", "deflate"])
def test_linearisation_table(tmp_path: Path, compression: Any) -> None:
    """Sample to table entry; beyond the end the last entry holds (DNG 1.7.1, LinearizationTable)."""
    table = (np.arange(200) * 300).astype(np.uint16)
    path = write_linear_dng(tmp_path / "a.dng", SHALLOW, compression=compression, linearization=table)
    assert np.array_equal(read(path)[0], table[np.minimum(SHALLOW, 199)])


def test_the_frame_is_found_below_a_thumbnail(tmp_path: Path) -> None:
    path = write_linear_dng(tmp_path / "a.dng", DEEP, thumbnail=True, big_endian=True)
    assert np.array_equal(read(path)[0], DEEP)


BOTH: dict[str, dict[str, Any]] = {
    "plain": {"samples": DEEP},
    "12 bits packed": {"samples": DEEP >> 4, "bits": 12},
    "plain, big-endian tiles": {"samples": DEEP, "big_endian": True, "tile": (16, 32)},
    "lossless JPEG": {"samples": DEEP, "compression": "ljpeg"},
    "lossless JPEG, tiles": {"samples": DEEP >> 2, "bits": 14, "compression": "ljpeg", "tile": (16, 32)},
    "table": {"samples": SHALLOW, "linearization": list(range(0, 512, 2))},
}


@pytest.mark.outside
@pytest.mark.parametrize("form", BOTH.values(), ids=BOTH)
def test_raw_library_codec_library_and_panopipe_agree(tmp_path: Path, form: dict) -> None:
    """LibRaw through rawpy and tifffile with imagecodecs are two independent readers."""
    form = dict(form)
    path = write_linear_dng(tmp_path / "a.dng", form.pop("samples"), **form)
    ours, _ = read(path)
    with rawpy.imread(str(path)) as raw:
        assert np.array_equal(ours, raw.raw_image[:, :, :3])
    codec = tifffile.imread(path)
    table = form.get("linearization")
    assert np.array_equal(ours, codec if table is None else np.take(table, codec))
