import hashlib
import io
import struct

import numpy as np
import pytest
from PIL import Image, ImageCms

from panopipe.colour.adaptation import adaptation_matrix
from panopipe.colour.spaces import D65_XY, xyz_from_xy
from panopipe.colour.transfer import srgb_decode
from panopipe.files.icc import srgb_profile


def opened() -> ImageCms.ImageCmsProfile:
    return ImageCms.ImageCmsProfile(io.BytesIO(srgb_profile()))


def test_the_same_bytes_on_every_machine() -> None:
    digest = hashlib.sha256(srgb_profile()).hexdigest()
    assert digest == "8c1a55ba4aac4ef6bde97dde94998945a2f6ddc48feb87759a7412f3688a0156"


@pytest.mark.outside
def test_a_colour_engine_sees_srgb() -> None:
    """All codes of a random picture pass unchanged to the engine's own sRGB (ICC.1; Little CMS in Pillow)."""
    picture = Image.fromarray(np.random.default_rng(1).integers(0, 256, (256, 256, 3), dtype=np.uint8))
    passed = ImageCms.profileToProfile(picture, opened(), ImageCms.createProfile("sRGB"))
    assert passed is not None
    assert np.array_equal(np.asarray(passed), np.asarray(picture))


@pytest.mark.outside
def test_white_colorants_and_adaptation() -> None:
    """ICC.1:2022, 7.2.16 (D50) and 9.2.15 (chad); red as Little CMS has it."""
    profile = opened().profile
    assert profile.version == 2.4
    assert profile.media_white_point[0] == pytest.approx((0.9642, 1, 0.8249), abs=2e-5)
    assert profile.red_colorant[0] == pytest.approx((0.4360, 0.2225, 0.0139), abs=1e-4)
    chad = adaptation_matrix(xyz_from_xy(D65_XY), (0.9642, 1, 0.8249))
    assert np.allclose(profile.chromatic_adaptation[0], chad, atol=2e-5)


def test_colorants_add_up_to_white() -> None:
    """Exactly, in the file's own units, or neutral would not be neutral."""
    profile = opened().profile
    colorants = (profile.red_colorant, profile.green_colorant, profile.blue_colorant)
    assert np.allclose(np.sum([c[0] for c in colorants], axis=0), (0.9642, 1, 0.8249), atol=2.1 / 65536)


def test_every_code_lies_on_a_point_of_the_curve() -> None:
    data = srgb_profile()
    place = data.index(b"curv")
    (count,) = struct.unpack(">I", data[place + 8 : place + 12])
    points = np.frombuffer(data, ">u2", count, place + 12) / 65535
    assert np.allclose(points[:: (count - 1) // 255], srgb_decode(np.arange(256) / 255), atol=0.5 / 65535)


def test_sizes_and_alignment() -> None:
    data = srgb_profile()
    assert struct.unpack(">I", data[:4])[0] == len(data)
    (count,) = struct.unpack(">I", data[128:132])
    for tag in range(count):
        offset, size = struct.unpack(">II", data[136 + 12 * tag : 144 + 12 * tag])
        assert offset % 4 == 0
        assert offset + size <= len(data)
