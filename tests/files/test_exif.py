import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from panopipe.capture import Capture
from panopipe.files.exif import exif_block
from panopipe.files.imprint import Imprint
from panopipe.files.jpeg import encode_jpeg

IMPRINT = Imprint(512, 256, "panopipe test")
SHOT, GPS = 34665, 34853


def read(block: bytes) -> tuple[dict, dict, dict]:
    """Main, shot and position directories as Pillow reads them."""
    data = encode_jpeg(np.zeros((8, 16, 3), np.uint8), quality=90, exif=block)
    exif = Image.open(io.BytesIO(data)).getexif()
    return dict(exif), exif.get_ifd(SHOT), exif.get_ifd(GPS)


def test_what_is_not_known_is_left_out() -> None:
    main, shot, gps = read(exif_block(Capture(), IMPRINT))
    assert set(main) == {SHOT, 274, 305}
    assert set(shot) == {36864, 40961, 40962, 40963}
    assert not gps


@pytest.mark.parametrize(
    ("value", "read_back"), [(1 / 60, 1 / 60), (1 / 8000, 1 / 8000), (30.0, 30.0), (0.4, 0.4), (1e-9, 0.0)]
)
def test_exposure_times(value: float, read_back: float) -> None:
    _, shot, _ = read(exif_block(Capture(exposure_s=value), IMPRINT))
    assert float(shot[33434]) == pytest.approx(read_back, abs=1e-12)


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -1.0, 1e12])
def test_a_number_that_no_tag_can_hold_is_left_out(value: float) -> None:
    _, shot, _ = read(exif_block(Capture(exposure_s=value, iso=value, f_number=value), IMPRINT))
    assert 33434 not in shot
    assert 33437 not in shot
    assert shot.get(34855, 65535) == 65535


def test_owner_of_the_job_goes_before_that_of_the_camera() -> None:
    capture = Capture(artist="camera", copyright="camera")
    main, _, _ = read(exif_block(capture, Imprint(2, 1, "x", creator="job")))
    assert (main[315], main[33432]) == ("job", "camera")


@pytest.mark.parametrize(
    "latitude",
    [
        ((50, 1), (3, 1), (1234, 100)),
        (50, 1, 3, 1, 1234, 100),
        (50.0, 3.0, 12.34),
    ],
    ids=["pairs", "flat", "numbers"],
)
def test_position_only_when_asked_for(latitude: tuple) -> None:
    capture = Capture(gps={0: b"\2\3\0\0", 1: "N", 2: latitude, 29: "2026:01:02", 99: "unknown", 6: object()})
    for block in (exif_block(capture, IMPRINT), exif_block(capture, IMPRINT, keep_position=False)):
        main, _, gps = read(block)
        assert GPS not in main
        assert not gps
    _, _, gps = read(exif_block(capture, IMPRINT, keep_position=True))
    assert gps[1] == "N"
    assert tuple(map(float, gps[2])) == (50.0, 3.0, 12.34)
    assert gps[29] == "2026:01:02"
    assert set(gps) == {0, 1, 2, 29}


def test_what_a_broken_file_says_is_cut_or_left_out() -> None:
    endless = "x" * 100_000
    gps = {1: endless, 27: endless.encode(), 30: 70_000, 2: (2**40, 1), 4: 10**400, 7: float("nan"), 5: [999]}
    main, shot, found = read(
        exif_block(Capture(make=endless, lens=endless, gps=gps), IMPRINT, keep_position=True)
    )
    assert len(main[271]) == len(shot[42036]) == 500
    assert {tag: len(value) for tag, value in found.items()} == {1: 100, 27: 100}


@settings(deadline=None, derandomize=True, max_examples=60)
@given(st.text(max_size=80), st.text(max_size=80))
def test_no_text_breaks_the_structure(creator: str, model: str) -> None:
    main, shot, _ = read(exif_block(Capture(model=model), Imprint(512, 256, "s", creator=creator)))
    assert shot[40962] == 512
    shown = creator.split("\0", maxsplit=1)[0].encode("utf-8", "replace").decode().strip()
    assert main.get(315, "").encode("latin-1").decode("utf-8").strip() == shown.strip()
