from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms

from panopipe.colour.spaces import BT2020_XY, D65_XY, WORKING_FROM_SRGB, xyz_from_rgb_matrix
from panopipe.colour.transfer import srgb_decode, srgb_encode
from panopipe.files.icc import srgb_profile
from panopipe.files.icc_read import read_profile
from panopipe.files.picture import open_picture, read_patch
from panopipe.files.recorded import ProfileColour
from panopipe.frame import FrameKey
from panopipe.stages.decode import Decode, DecodeSettings
from tests.makers.dng import DOUBLE, Tag, write_linear_dng

CODES = np.random.default_rng(2).integers(0, 256, (16, 32, 3), dtype=np.uint8)
DEEP = np.random.default_rng(3).integers(0, 65536, (16, 32, 3), dtype=np.uint16)


def light(path: Path) -> np.ndarray:
    with Decode().open([path], FrameKey("a", "b"), DecodeSettings()) as frame:
        return np.roll(frame.read(0, frame.facts.height), frame.facts.anchor_column, axis=1)


def working(coded: np.ndarray) -> np.ndarray:
    return srgb_decode(coded.astype(np.float64)) @ WORKING_FROM_SRGB.T


def test_sixteen_bit_tiff_without_a_profile_is_srgb(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "a.tif", DEEP, photometric="rgb")
    assert np.allclose(light(tmp_path / "a.tif"), working(DEEP / 65535), atol=1e-6)


@pytest.mark.parametrize(
    "form",
    [
        {"compression": "deflate", "predictor": True}, {"compression": "lzw"}, {"tile": (16, 16)},
        {"byteorder": ">"}, {"planarconfig": "separate"}, {"rowsperstrip": 3}, {"bigtiff": True},
        {"compression": "zstd"},
    ],
)  # fmt: skip
def test_a_tiff_in_any_form(tmp_path: Path, form: dict[str, Any]) -> None:
    samples = DEEP.transpose(2, 0, 1).copy() if "planarconfig" in form else DEEP
    tifffile.imwrite(tmp_path / "a.tif", samples, photometric="rgb", **form)
    assert np.allclose(light(tmp_path / "a.tif"), working(DEEP / 65535), atol=1e-6)


def test_a_float_tiff_is_linear_light(tmp_path: Path) -> None:
    samples = (DEEP / 20000).astype(np.float32)
    tifffile.imwrite(tmp_path / "a.tif", samples, photometric="rgb")
    assert np.allclose(light(tmp_path / "a.tif"), samples @ WORKING_FROM_SRGB.T, atol=1e-5)


def test_grey_and_a_fourth_plane(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "grey.tif", DEEP[:, :, 0], photometric="minisblack")
    grey = np.repeat(DEEP[:, :, :1], 3, axis=2)
    assert np.allclose(light(tmp_path / "grey.tif"), working(grey / 65535), atol=1e-6)
    with_alpha = np.dstack([DEEP, np.full((16, 32), 65535, np.uint16)])
    tifffile.imwrite(tmp_path / "rgba.tif", with_alpha, photometric="rgb", extrasamples=["unassalpha"])
    assert np.allclose(light(tmp_path / "rgba.tif"), working(DEEP / 65535), atol=1e-6)


def test_png_of_sixteen_bits_keeps_them(tmp_path: Path) -> None:
    (tmp_path / "a.png").write_bytes(imagecodecs.png_encode(DEEP))
    assert np.allclose(light(tmp_path / "a.png"), working(DEEP / 65535), atol=1e-6)


def test_a_jpeg_turned_on_its_side(tmp_path: Path) -> None:
    """Orientation 6 asks for a quarter turn clockwise (CIPA DC-008)."""
    smooth = np.indices((32, 16)).sum(0)[:, :, None].repeat(3, axis=2).astype(np.uint8) * 4
    exif = Image.Exif()
    exif[274] = 6
    exif[271] = "Fenhollow Optical"
    Image.fromarray(smooth).save(tmp_path / "a.jpg", quality=100, subsampling=0, exif=exif)
    recorded = open_picture(tmp_path / "a.jpg")
    assert np.abs(recorded.samples.rows(0, 16).astype(int) - np.rot90(smooth, -1)).max() <= 2
    assert recorded.capture.make == "Fenhollow Optical"


def test_exif_of_a_jpeg(tmp_path: Path) -> None:
    exif = Image.Exif()
    shot = exif.get_ifd(34665)
    shot[36867], shot[33434], shot[34855] = "2026:11:24 21:10:00", 1 / 60, 400
    gps = exif.get_ifd(34853)
    gps[1], gps[2] = "N", (51.0, 30.0, 0.5)
    Image.fromarray(CODES).save(tmp_path / "a.jpg", exif=exif)
    capture = open_picture(tmp_path / "a.jpg").capture
    assert (capture.taken, capture.iso) == ("2026:11:24 21:10:00", 400)
    assert capture.exposure_s == pytest.approx(1 / 60)
    assert capture.gps == {1: "N", 2: (51, 1, 30, 1, 1, 2)}


def test_our_own_srgb_profile_reads_as_srgb() -> None:
    codes = np.linspace(0, 1, 256)
    profile = read_profile(srgb_profile())
    assert np.allclose(profile.light(codes), srgb_decode(codes), atol=2e-5)
    assert np.allclose(profile.working_from_linear(), WORKING_FROM_SRGB, atol=2e-4)
    assert np.allclose(profile.working_from_linear().sum(axis=1), 1, atol=1e-12)


@pytest.mark.outside
def test_profiles_agree_with_a_colour_management_library() -> None:
    """littleCMS (through Pillow) turns codes of a profile into XYZ D50; ours must come out the same."""
    made = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB"))
    profile = read_profile(made.tobytes())
    xyz = made.profile
    columns = np.array([xyz.red_colorant[0], xyz.green_colorant[0], xyz.blue_colorant[0]]).T
    assert np.allclose(profile.pcs_from_linear, columns, atol=2e-5)
    assert np.allclose(profile.light(np.linspace(0, 1, 11)), srgb_decode(np.linspace(0, 1, 11)), atol=1e-4)


def profile_bytes(curve: bytes, *, space: bytes = b"RGB ", lut: bool = False) -> bytes:
    """Put together a small version 4 profile with BT.2020 primaries, by hand."""
    from panopipe.colour.adaptation import adaptation_matrix  # noqa: PLC0415

    to_d50 = adaptation_matrix((0.95047, 1, 1.08883), (0.9642, 1, 0.8249))
    columns = (to_d50 @ xyz_from_rgb_matrix(BT2020_XY, D65_XY)).T
    xyz = [b"XYZ \0\0\0\0" + np.rint(c * 65536).astype(">i4").tobytes() for c in columns]
    name = "Wide".encode("utf-16-be")
    text = b"mluc\0\0\0\0" + (1).to_bytes(4, "big") + (12).to_bytes(4, "big") + b"enGB"
    text += len(name).to_bytes(4, "big") + (28).to_bytes(4, "big") + name
    tags = [(b"desc", text)]
    tags += [] if lut else list(zip((b"rXYZ", b"gXYZ", b"bXYZ"), xyz, strict=True))
    tags += [(key, curve) for key in (b"rTRC", b"gTRC", b"bTRC")]
    body, table = b"", len(tags).to_bytes(4, "big")
    for key, data in tags:
        at = 132 + 12 * len(tags) + len(body)
        table += key + at.to_bytes(4, "big") + len(data).to_bytes(4, "big")
        body += data + bytes(-len(data) % 4)
    header = bytearray(128)
    header[12:24], header[36:40] = b"mntr" + space + b"XYZ ", b"acsp"
    return bytes(header) + table + body


def parametric(kind: int, *values: float) -> bytes:
    data = np.rint(np.array(values) * 65536).astype(">i4").tobytes()
    return b"para\0\0\0\0" + kind.to_bytes(2, "big") + b"\0\0" + data


def counted(*points: int) -> bytes:
    return b"curv\0\0\0\0" + len(points).to_bytes(4, "big") + np.array(points, ">u2").tobytes()


CURVES: dict[str, tuple[bytes, Any]] = {
    "gamma": (counted(int(1.8 * 256)), lambda x: x ** (460 / 256)),
    "identity": (counted(), lambda x: x),
    "table": (counted(0, 10000, 65535), lambda x: np.interp(x, [0, 0.5, 1], [0, 10000 / 65535, 1])),
    "type 0": (parametric(0, 2.2), lambda x: x**2.2),
    "type 1": (parametric(1, 2, 1.5, -0.5), lambda x: np.where(x >= 1 / 3, (1.5 * x - 0.5) ** 2, 0)),
    "type 2": (
        parametric(2, 2, 1.5, -0.5, 0.1), lambda x: np.where(x >= 1 / 3, (1.5 * x - 0.5) ** 2 + 0.1, 0.1),
    ),
    "type 3": (parametric(3, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045), srgb_decode),
    "type 4": (
        parametric(4, 2, 0.9, 0.1, 0.3, 0.2, 0.05, 0.02),
        lambda x: np.where(x >= 0.2, (0.9 * x + 0.1) ** 2 + 0.05, 0.3 * x + 0.02),
    ),
}  # fmt: skip


@pytest.mark.outside
@pytest.mark.parametrize(("curve", "formula"), CURVES.values(), ids=CURVES)
def test_curves_of_a_profile(curve: bytes, formula: Any) -> None:
    """ICC.1:2022, clauses 10.6 (curveType) and 10.18, table 68 (parametricCurveType)."""
    x = np.linspace(0, 1, 52)
    assert np.allclose(read_profile(profile_bytes(curve)).light(x), formula(x), atol=3e-5)


def test_a_tiff_with_the_working_spaces_profile_stays_as_it_is(tmp_path: Path) -> None:
    """BT.2020 primaries and gamma 2: the light is the square of the code, whatever the plane."""
    data = profile_bytes(parametric(0, 2.0))
    tifffile.imwrite(tmp_path / "a.tif", DEEP, photometric="rgb", iccprofile=data)
    assert np.allclose(light(tmp_path / "a.tif"), (DEEP / 65535) ** 2, atol=5e-4)
    recorded = open_picture(tmp_path / "a.tif")
    recorded.samples.close()
    colour = recorded.colour
    assert isinstance(colour, ProfileColour)
    assert colour.name == "Wide"


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"nonsense", "damaged"),
        (profile_bytes(counted(460))[:140], "damaged|tables"),
        (profile_bytes(counted(460), space=b"CMYK"), "CMYK"),
        (profile_bytes(counted(460), lut=True), "works by tables"),
    ],
)
def test_a_profile_that_cannot_be_read(data: bytes, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        read_profile(data)


@pytest.mark.parametrize("kind", ["png", "tif", "jpg"])
def test_a_patch(tmp_path: Path, kind: str) -> None:
    """Straight alpha, and colours as light in the working space; a JPEG is opaque."""
    alpha = np.linspace(0, 255, 32).astype(np.uint8)[None, :].repeat(16, axis=0)
    path = tmp_path / f"patch.{kind}"
    if kind == "png":
        Image.fromarray(np.dstack([CODES, alpha])).save(path)
    elif kind == "tif":
        tifffile.imwrite(path, np.dstack([CODES, alpha]), photometric="rgb", extrasamples=["unassalpha"])
    else:
        Image.fromarray(np.full((16, 32, 3), 118, np.uint8)).save(path, quality=100)
    patch = read_patch(path)
    assert patch.shape == (16, 32, 4)
    assert patch.dtype == np.float32
    if kind == "jpg":
        assert np.allclose(patch, [0.181164] * 3 + [1], atol=1e-4)  # IEC 61966-2-1: code 118
    else:
        assert np.allclose(patch[:, :, 3], alpha / 255, atol=1e-6)
        assert np.allclose(patch[:, :, :3], working(CODES / 255), atol=1e-6)


def test_a_patch_without_alpha_or_colour(tmp_path: Path) -> None:
    Image.fromarray(CODES[:, :, 0]).save(tmp_path / "a.png")
    patch = read_patch(tmp_path / "a.png")
    assert np.allclose(srgb_encode(patch[:, :, 0]), CODES[:, :, 0] / 255, atol=1e-4)
    assert np.all(patch[:, :, 3] == 1)


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ((2e-4, 1e-6), np.tile([2e-4, 1e-6], (3, 1))),
        ((2e-4, 1e-6, 1e-4, 2e-6, 3e-4, 3e-6), [[2e-4, 1e-6], [1e-4, 2e-6], [3e-4, 3e-6]]),
        ((2e-4, 1e-6, 1e-4), None),
        ((float("nan"), 1e-6), None),
        ((-1.0, 1e-6), None),
        ((0.0, 0.0), None),
    ],
)
def test_the_noise_that_a_dng_tells_of(tmp_path: Path, values: tuple[float, ...], expected: Any) -> None:
    """DNG 1.7.1.0, NoiseProfile: S and O for all planes or for each; what cannot be is left out."""
    write_linear_dng(tmp_path / "a.dng", DEEP, extra=[Tag(51041, DOUBLE, values)])
    recorded = open_picture(tmp_path / "a.dng")
    recorded.samples.close()
    assert (
        recorded.noise_profile is None if expected is None else np.allclose(recorded.noise_profile, expected)
    )
