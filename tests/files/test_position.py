"""Whether a finished picture tells where it was taken."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from panopipe.capture import Capture
from panopipe.files.exif import exif_block
from panopipe.files.imprint import Imprint
from panopipe.files.jpeg import encode_jpeg
from panopipe.files.position import holds_position

GREY = np.full((16, 32, 3), 128, np.uint8)
GPS = {0: bytes((2, 3, 0, 0)), 1: "N", 2: (52, 1, 5, 1, 0, 1), 3: "E", 4: (6, 1, 0, 1, 0, 1)}
IMPRINT = Imprint(32, 16, "panopipe")


@pytest.mark.parametrize("kept", [True, False])
def test_the_gps_directory_that_export_writes_is_seen(kept: bool) -> None:
    exif = exif_block(Capture(gps=GPS), IMPRINT, keep_position=kept)
    assert holds_position(encode_jpeg(GREY, quality=90, exif=exif)) is kept


def test_what_another_program_wrote_into_exif_or_xmp_is_seen() -> None:
    exif = Image.Exif()
    exif.get_ifd(34853).update({1: "N", 2: (52.0, 6.0, 0.0)})
    written = io.BytesIO()
    Image.fromarray(GREY).save(written, "JPEG", exif=exif)
    assert holds_position(written.getvalue())
    packet = b'<rdf:Description exif:GPSLatitude="52,6N"/>'
    assert holds_position(encode_jpeg(GREY, quality=90, xmp=packet))
    assert not holds_position(encode_jpeg(GREY, quality=90, xmp=b"<rdf:Description/>"))


@pytest.mark.parametrize("data", [b"", b"no picture", b"\xff\xd8\xff\xe1"])
def test_what_is_no_picture_is_refused(data: bytes) -> None:
    with pytest.raises(ValueError, match="no picture"):
        holds_position(data)
