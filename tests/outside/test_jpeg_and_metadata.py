"""Finished files as independent readers see them: Pillow, tifffile, OpenCV, imagecodecs, exiv2, xml."""

import io
import re
import xml.etree.ElementTree as ET

import cv2
import exiv2
import imagecodecs
import numpy as np
import pytest
import tifffile
from PIL import Image

from panopipe.capture import Capture
from panopipe.files.icc import srgb_profile
from panopipe.frame import Band, Frame, FrameFacts, FrameKey
from panopipe.stage import Rights, StageContext
from panopipe.stages.export import Export, ExportSettings

pytestmark = pytest.mark.outside

WIDTH, HEIGHT = 640, 320
CAPTURE = Capture(
    taken="2026:11:24 23:59:58",
    offset="+01:00",
    exposure_s=1 / 60,
    f_number=5.6,
    iso=400,
    exposure_bias_ev=-2 / 3,
    focal_length_mm=1.3,
    make="Fenhollow",
    model="One-Shot Ω",
    lens="twin 1.3 mm",
    artist="somebody",
    copyright="somebody's",
    gps={1: "N", 2: (50.0, 3.0, 12.34), 3: "W", 4: (4.0, 59.0, 1.0)},
    heading_deg=123.5,
)
RIGHTS = Rights(
    title='Fenhollow <guest & house> "1"',
    creator="Ann Ó Example & Söhne",
    copyright="© 2026 Ann ]]> Example",
    contact_url="https://example.org/?a=1&b=2",
    contact_email="ann@example.org",
)


def finished(
    settings: ExportSettings | None = None, capture: Capture = CAPTURE, rights: Rights = RIGHTS
) -> bytes:
    """The main file of a small frame."""
    columns = np.linspace(0, 1, WIDTH, dtype=np.float32)
    rows = np.stack([columns, columns[::-1], np.full_like(columns, 0.3)], axis=-1)
    rows = np.repeat(rows[None], HEIGHT, axis=0)
    facts = FrameFacts(FrameKey("lounge", "lounge-01"), WIDTH, HEIGHT, 100, capture)
    sink = Export().start(StageContext(Frame(rows, facts)), settings or ExportSettings(), rights)
    sink.take(Band(rows, 0, facts))
    return bytes(sink.finish()[0].data)


def segments(data: bytes) -> list[tuple[int, bytes]]:
    """Marker and payload up to the scan (ISO/IEC 10918-1, B.1.1)."""
    found, place = [], 2
    while data[place + 1] != 0xDA:
        length = int.from_bytes(data[place + 2 : place + 4], "big")
        found.append((data[place + 1], data[place + 4 : place + 2 + length]))
        place += 2 + length
    return found


def seen_by_exiv2(data: bytes) -> tuple[dict[str, str], dict[str, str]]:
    image = exiv2.ImageFactory.open(data)
    image.readMetadata()
    return tuple(
        {item.key(): item.toString() for item in part} for part in (image.exifData(), image.xmpData())
    )  # type: ignore[return-value]


def test_order_of_the_segments() -> None:
    """JFIF first (ITU-T T.871, 10.1), then EXIF, XMP (ISO 16684-3) and the profile (ICC.1, annex B.4)."""
    heads = [payload.split(b"\0")[0] for marker, payload in segments(finished()) if 0xE0 <= marker <= 0xEF]
    assert heads == [b"JFIF", b"Exif", b"http://ns.adobe.com/xap/1.0/", b"ICC_PROFILE"]


def test_it_is_a_baseline_jpeg_of_8_bits() -> None:
    """ISO/IEC 10918-1, B.2.2: SOF0 is baseline; precision, height, width, three components."""
    markers = dict(segments(finished()))
    assert markers[0xC0][:6] == bytes((8, HEIGHT >> 8, HEIGHT & 255, WIDTH >> 8, WIDTH & 255, 3))
    assert not {0xC1, 0xC2, 0xC9} & set(markers)


@pytest.mark.parametrize(
    ("chroma", "factors"), [("4:4:4", "11 11 11"), ("4:2:2", "21 11 11"), ("4:2:0", "22 11 11")]
)
def test_chroma_sampling(chroma: str, factors: str) -> None:
    """ISO/IEC 10918-1, B.2.2: sampling factors stand in SOF0."""
    frame = dict(segments(finished(ExportSettings(chroma=chroma))))[0xC0]
    assert frame[7::3].hex(" ") == factors


@pytest.mark.parametrize(
    ("quality", "first"), [(50, (16, 11, 12, 14)), (92, (3, 2, 2, 2)), (100, (1, 1, 1, 1))]
)
def test_quantiser(quality: int, first: tuple) -> None:
    """ISO/IEC 10918-1, annex K.1, in zigzag order (16 11 12 14); 92 and 100 as libjpeg scales it."""
    data = finished(ExportSettings(quality=quality))
    assert tuple(next(payload for marker, payload in segments(data) if marker == 0xDB)[1:5]) == first


def test_decoders_agree() -> None:
    """Restart markers and all: three readers see the same pixels."""
    data = finished()
    pillow = np.asarray(Image.open(io.BytesIO(data)))
    opencv = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)[..., ::-1]
    assert np.array_equal(pillow, opencv)
    assert np.array_equal(pillow, imagecodecs.jpeg8_decode(data))


def test_profile() -> None:
    """ICC.1, annex B.4: a reader joins the parts and finds the very profile."""
    assert Image.open(io.BytesIO(finished())).info["icc_profile"] == srgb_profile()


def test_exif_as_exiv2_sees_it() -> None:
    """CIPA DC-008-2023, names as exiv2 0.19 gives them."""
    exif, _ = seen_by_exiv2(finished())
    kept = {
        "Exif.Image.Make": "Fenhollow",
        "Exif.Image.Model": "One-Shot Ω",
        "Exif.Image.Orientation": "1",
        "Exif.Image.DateTime": "2026:11:24 23:59:58",
        "Exif.Image.Artist": RIGHTS.creator,
        "Exif.Image.Copyright": RIGHTS.copyright,
        "Exif.Photo.ExposureTime": "1/60",
        "Exif.Photo.FNumber": "28/5",
        "Exif.Photo.ISOSpeedRatings": "400",
        "Exif.Photo.ExifVersion": "48 50 51 50",
        "Exif.Photo.DateTimeOriginal": "2026:11:24 23:59:58",
        "Exif.Photo.DateTimeDigitized": "2026:11:24 23:59:58",
        "Exif.Photo.OffsetTimeOriginal": "+01:00",
        "Exif.Photo.ExposureBiasValue": "-2/3",
        "Exif.Photo.FocalLength": "13/10",
        "Exif.Photo.ColorSpace": "1",
        "Exif.Photo.PixelXDimension": str(WIDTH),
        "Exif.Photo.PixelYDimension": str(HEIGHT),
        "Exif.Photo.LensModel": "twin 1.3 mm",
    }
    assert {key: exif[key] for key in kept} == kept
    assert exif["Exif.Image.Software"].startswith("panopipe ")
    assert not [key for key in exif if "GPS" in key or "Thumbnail" in key or "MakerNote" in key]


def test_exif_as_tifffile_sees_it() -> None:
    """TIFF 6.0: the block is a lawful little TIFF, tags ascending, every directory ended."""
    block = next(payload[6:] for _, payload in segments(finished()) if payload.startswith(b"Exif\0\0"))
    with tifffile.TiffFile(io.BytesIO(block)) as tiff:
        tags = tiff.pages.first.tags
        assert [tag.code for tag in tags] == sorted(tag.code for tag in tags)
        assert tags[34665].value["ExposureTime"] == (1, 60)
        assert tags[34665].value["PixelXDimension"] == WIDTH


def test_position_when_asked_for() -> None:
    exif, _ = seen_by_exiv2(finished(ExportSettings(keep_position=True)))
    assert exif["Exif.GPSInfo.GPSLatitude"] == "50/1 3/1 617/50"
    assert exif["Exif.GPSInfo.GPSLongitudeRef"] == "W"


@pytest.mark.parametrize(("width", "count"), [(0, WIDTH), (320, 320)])
def test_sphere_metadata_as_exiv2_sees_it(width: int, count: int) -> None:
    """Photo Sphere XMP Metadata; exiv2 finds properties only behind the right header (ISO 16684-3)."""
    _, xmp = seen_by_exiv2(finished(ExportSettings(widths=(width,))))
    sphere = {key.split(".")[-1]: value for key, value in xmp.items() if ".GPano." in key}
    assert sphere == {
        "ProjectionType": "equirectangular",
        "UsePanoramaViewer": "True",
        "CroppedAreaImageWidthPixels": str(count),
        "CroppedAreaImageHeightPixels": str(count // 2),
        "FullPanoWidthPixels": str(count),
        "FullPanoHeightPixels": str(count // 2),
        "CroppedAreaLeftPixels": "0",
        "CroppedAreaTopPixels": "0",
        "PoseHeadingDegrees": "123.5",
    }


def test_rights_as_exiv2_sees_them() -> None:
    """IPTC Photo Metadata Standard; XMP part 1: language alternative with its default."""
    exif, xmp = seen_by_exiv2(finished())
    assert xmp["Xmp.dc.rights"] == f'lang="x-default" {RIGHTS.copyright}'
    assert xmp["Xmp.dc.title"] == f'lang="x-default" {RIGHTS.title}'
    assert xmp["Xmp.dc.creator"] == RIGHTS.creator
    assert xmp["Xmp.xmpRights.Marked"] == "True"
    assert xmp["Xmp.xmpRights.WebStatement"] == RIGHTS.contact_url
    contact = "Xmp.iptc.CreatorContactInfo/Iptc4xmpCore:"
    assert xmp[contact + "CiUrlWork"] == RIGHTS.contact_url
    assert xmp[contact + "CiEmailWork"] == RIGHTS.contact_email
    assert exif["Exif.Image.Artist"] == xmp["Xmp.dc.creator"]


def test_packet_is_xml() -> None:
    header = b"http://ns.adobe.com/xap/1.0/\0"
    packet = next(p[len(header) :] for _, p in segments(finished()) if p.startswith(header))
    assert len(header) == 29
    assert ET.fromstring(packet).tag == "{adobe:ns:meta/}xmpmeta"


def test_hostile_texts_change_nothing_but_themselves() -> None:
    hostile = '"/><x:y z="\0\x08\ufffe]]></rdf:RDF><?xpacket end="w"?>&amp;\ud800 \U0001f600'
    rights = Rights(hostile, hostile, "© " + hostile, "javascript:" + hostile, hostile)
    plain, _ = seen_by_exiv2(finished())
    exif, xmp = seen_by_exiv2(finished(rights=rights))
    assert set(exif) == set(plain)
    assert xmp["Xmp.GPano.FullPanoWidthPixels"] == str(WIDTH)
    assert "]]></rdf:RDF><?xpacket" in xmp["Xmp.dc.creator"]


def test_rights_too_long_for_a_segment_are_said() -> None:
    with pytest.raises(ValueError, match="too long for a JPEG; shorten the texts"):
        finished(rights=Rights(copyright="©" * 40000))


def test_no_clock_gets_in() -> None:
    """The only dates in the file are those of the shot; the profile's is fixed (tests/files/test_icc.py)."""
    data = finished()
    assert data == finished()
    assert set(re.findall(rb"\d{4}:\d\d:\d\d", data)) == {b"2026:11:24"}
