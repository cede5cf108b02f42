import xml.etree.ElementTree as ET

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from panopipe.capture import Capture
from panopipe.files.imprint import Imprint
from panopipe.files.xmp import NAMESPACES, xmp_packet

IMPRINT = Imprint(8192, 4096, "panopipe test")
X_DEFAULT = "{http://www.w3.org/XML/1998/namespace}lang"


def properties(packet: bytes) -> ET.Element:
    found = ET.fromstring(packet).find(".//rdf:Description", NAMESPACES)
    assert found is not None
    return found


def text(packet: bytes, name: str) -> str | None:
    return properties(packet).findtext(name, namespaces=NAMESPACES)


def test_all_fields_of_a_full_sphere() -> None:
    """Photo Sphere XMP Metadata: required fields and UsePanoramaViewer."""
    packet = xmp_packet(Capture(), IMPRINT)
    fields = {
        item.tag.split("}")[1]: item.text for item in properties(packet) if NAMESPACES["GPano"] in item.tag
    }
    assert fields == {
        "ProjectionType": "equirectangular",
        "UsePanoramaViewer": "True",
        "CroppedAreaImageWidthPixels": "8192",
        "CroppedAreaImageHeightPixels": "4096",
        "FullPanoWidthPixels": "8192",
        "FullPanoHeightPixels": "4096",
        "CroppedAreaLeftPixels": "0",
        "CroppedAreaTopPixels": "0",
    }


@pytest.mark.parametrize(
    ("heading", "written"),
    [(0.0, "0.0"), (359.9999999, "0.0"), (-90.0, "270.0"), (725.5, "5.5"), (12.345678901, "12.345679")],
)
def test_heading_lies_in_the_lawful_range(heading: float, written: str) -> None:
    assert text(xmp_packet(Capture(heading_deg=heading), IMPRINT), "GPano:PoseHeadingDegrees") == written


def test_pose_outside_its_range_is_left_out() -> None:
    packet = xmp_packet(Capture(heading_deg=float("nan"), pitch_deg=91, roll_deg=-180), IMPRINT)
    assert b"Pose" not in packet
    packet = xmp_packet(Capture(pitch_deg=-1.25, roll_deg=180), IMPRINT)
    assert text(packet, "GPano:PosePitchDegrees") == "-1.25"
    assert text(packet, "GPano:PoseRollDegrees") == "180.0"


def test_without_owner_there_is_no_claim() -> None:
    packet = xmp_packet(Capture(), Imprint(2, 1, "s", contact_url="https://example.org"))
    assert text(packet, "xmpRights:Marked") is None
    assert text(packet, "dc:rights") is None


@settings(deadline=None, derandomize=True, max_examples=60)
@given(st.text(max_size=60), st.text(max_size=60))
def test_no_text_breaks_the_packet(copyright: str, url: str) -> None:
    packet = xmp_packet(Capture(), Imprint(2, 1, "s", copyright="©" + copyright, contact_url=url))
    item = properties(packet).find("dc:rights/rdf:Alt/rdf:li", NAMESPACES)
    assert item is not None
    assert item.get(X_DEFAULT) == "x-default"
    lawful = [
        c
        for c in copyright
        if c in "\t\n\r" or "\x20" <= c <= "\ud7ff" or "\ue000" <= c <= "\ufffd" or c > "\uffff"
    ]
    assert item.text == ("©" + "".join(lawful)).strip()


def test_the_packet_says_where_it_begins_and_ends() -> None:
    """ISO 16684-1, 7.3: the wrapper by which a packet is found without a parser."""
    packet = xmp_packet(Capture(), IMPRINT)
    assert packet.startswith('<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>'.encode())
    assert packet.endswith(b'<?xpacket end="w"?>')
