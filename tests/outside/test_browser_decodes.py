"""A browser sees a picture coded in strips exactly as one coded in one call, with its profile too."""

from __future__ import annotations

import base64
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
import pytest

from panopipe.files.icc import srgb_profile
from panopipe.files.jpeg import encode_jpeg

if TYPE_CHECKING:
    from selenium.webdriver import Chrome

pytestmark = [pytest.mark.outside, pytest.mark.browser]

SCRIPT = """
const done = arguments[0];
(async () => {
  const seen = [];
  for (const picture of document.images) {
    await picture.decode();
    const canvas = document.createElement("canvas");
    [canvas.width, canvas.height] = [picture.naturalWidth, picture.naturalHeight];
    const context = canvas.getContext("2d");
    context.drawImage(picture, 0, 0);
    seen.push(context.getImageData(0, 0, canvas.width, canvas.height).data);
  }
  const apart = seen.map((data) => data.reduce((most, v, k) => Math.max(most, Math.abs(v - seen[0][k])), 0));
  done([apart, seen[0].length]);
})();
"""


def test_strips_and_profile_change_no_pixel(browser: Chrome, tmp_path: Path) -> None:
    noise = np.random.default_rng(1).integers(0, 256, (20, 40, 3), dtype=np.uint8)
    picture = cv2.resize(noise, (320, 160), interpolation=cv2.INTER_CUBIC)
    options = [cv2.IMWRITE_JPEG_QUALITY, 94, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, 0x221111]
    files = [
        cv2.imencode(".jpg", picture[..., ::-1], options)[1].tobytes(),
        encode_jpeg(picture, quality=94, sampling="4:2:0"),
        encode_jpeg(picture, quality=94, sampling="4:2:0", icc=srgb_profile()),
    ]
    sources = [f"data:image/jpeg;base64,{base64.b64encode(data).decode()}" for data in files]
    page = tmp_path / "page.html"
    page.write_text("".join(f'<img src="{url}">' for url in sources), encoding="utf-8")
    browser.get(page.as_uri())
    assert browser.execute_async_script(SCRIPT) == [[0, 0, 0], 320 * 160 * 4]
