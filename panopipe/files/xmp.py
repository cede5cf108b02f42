"""The XMP packet of a finished picture: that it is a sphere, and whose it is."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from html import escape

from panopipe.capture import Capture
from panopipe.files.imprint import Imprint, of_camera

NAMESPACES = {
    "rdf": "http://www.w3.org/1999/02/22-rdf-syntax-ns#",
    "GPano": "http://ns.google.com/photos/1.0/panorama/",
    "dc": "http://purl.org/dc/elements/1.1/",
    "xmp": "http://ns.adobe.com/xap/1.0/",
    "xmpRights": "http://ns.adobe.com/xap/1.0/rights/",
    "Iptc4xmpCore": "http://iptc.org/std/Iptc4xmpCore/1.0/xmlns/",
}
"""Namespaces by the prefix that their own specifications use."""

_FORBIDDEN = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""What XML 1.0 (clause 2.2) cannot hold, even escaped."""


def xmp_packet(capture: Capture, imprint: Imprint) -> bytes:
    """XMP packet of a full sphere.

    Parameters
    ----------
    capture : Capture
        Pose of the frame as its file gives it, and rights as the camera wrote them.
    imprint : Imprint
        Size and owner; where it names none, creator and copyright are those of the camera.

    Returns
    -------
    bytes
        UTF-8, with the packet wrapper, without the header of the JPEG segment.

    References
    ----------
    .. [1] Photo Sphere XMP Metadata (GPano namespace).
    .. [2] ISO 16684-1:2019, Extensible metadata platform, 7.3 (wrapper), 8.3 (dc) and 8.5 (xmpRights).
    .. [3] IPTC Photo Metadata Standard, Creator's Contact Info.
    """
    properties = [
        *_sphere(imprint.width, imprint.height),
        *_pose(capture),
        _simple("xmp:CreatorTool", imprint.software),
        _alternatives("dc:title", imprint.title),
        _sequence("dc:creator", imprint.creator or of_camera(capture.artist)),
        *_rights(imprint.copyright or of_camera(capture.copyright), imprint.contact_url),
        _contact(imprint.contact_url, imprint.contact_email),
    ]
    spaces = "".join(f' xmlns:{prefix}="{name}"' for prefix, name in NAMESPACES.items() if prefix != "rdf")
    body = "".join(f"\n   {item}" for item in properties if item)
    return (
        '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>\n'
        '<x:xmpmeta xmlns:x="adobe:ns:meta/">\n'
        f' <rdf:RDF xmlns:rdf="{NAMESPACES["rdf"]}">\n'
        f'  <rdf:Description rdf:about=""{spaces}>{body}\n'
        "  </rdf:Description>\n </rdf:RDF>\n</x:xmpmeta>\n"
        '<?xpacket end="w"?>'
    ).encode()


def _sphere(width: int, height: int) -> list[str]:
    """All that marks a full sphere: nothing was cropped, so cropped and full size are the same."""
    fields: dict[str, object] = {
        "ProjectionType": "equirectangular",
        "UsePanoramaViewer": "True",
        "CroppedAreaImageWidthPixels": width,
        "CroppedAreaImageHeightPixels": height,
        "FullPanoWidthPixels": width,
        "FullPanoHeightPixels": height,
        "CroppedAreaLeftPixels": 0,
        "CroppedAreaTopPixels": 0,
    }
    return [_simple(f"GPano:{name}", str(value)) for name, value in fields.items()]


def _pose(capture: Capture) -> list[str]:
    """Heading, pitch and roll of the picture's centre, as far as they are known and lawful."""
    fields = []
    if capture.heading_deg is not None and math.isfinite(capture.heading_deg):
        fields.append(_simple("GPano:PoseHeadingDegrees", _real(round(capture.heading_deg, 6) % 360)))
    if capture.pitch_deg is not None and -90 <= capture.pitch_deg <= 90:
        fields.append(_simple("GPano:PosePitchDegrees", _real(capture.pitch_deg)))
    if capture.roll_deg is not None and -180 < capture.roll_deg <= 180:
        fields.append(_simple("GPano:PoseRollDegrees", _real(capture.roll_deg)))
    return fields


def _real(value: float) -> str:
    """A Real of XMP: digits with a point, no exponent."""
    digits = f"{value:.6f}".rstrip("0")
    return digits + "0" if digits.endswith(".") else digits


def _rights(copyright: str, contact_url: str) -> list[str]:
    if not _text(copyright):
        return []
    return [
        _alternatives("dc:rights", copyright),
        _simple("xmpRights:Marked", "True"),
        _simple("xmpRights:WebStatement", contact_url),
    ]


def _contact(url: str, email: str) -> str:
    inside = _simple("Iptc4xmpCore:CiUrlWork", url) + _simple("Iptc4xmpCore:CiEmailWork", email)
    name = "Iptc4xmpCore:CreatorContactInfo"
    return f'<{name} rdf:parseType="Resource">{inside}</{name}>' if inside else ""


def _simple(name: str, text: str) -> str:
    return f"<{name}>{_text(text)}</{name}>" if _text(text) else ""


def _alternatives(name: str, text: str) -> str:
    """A language alternative with its default."""
    return _array(
        name, "Alt", [f'<rdf:li xml:lang="x-default">{_text(text)}</rdf:li>'] if _text(text) else []
    )


def _sequence(name: str, text: str) -> str:
    return _array(name, "Seq", [f"<rdf:li>{_text(text)}</rdf:li>"] if _text(text) else [])


def _array(name: str, kind: str, items: Iterable[str]) -> str:
    inside = "".join(items)
    return f"<{name}><rdf:{kind}>{inside}</rdf:{kind}></{name}>" if inside else ""


def _text(text: str) -> str:
    """Text as XML can hold it, whatever somebody typed; carriage returns escaped, or a parser drops them."""
    return escape(_FORBIDDEN.sub("", text).strip(), quote=False).replace("\r", "&#13;")
