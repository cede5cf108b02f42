"""A browser sees a picture coded in strips exactly as one coded in one call, with its profile too."""

import base64
import re
import shutil
import subprocess
from pathlib import Path

import cv2
import numpy as np
import pytest

from panopipe.files.icc import srgb_profile
from panopipe.files.jpeg import encode_jpeg

pytestmark = [pytest.mark.outside, pytest.mark.browser]

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")

SCRIPT = """
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
  document.body.textContent = `apart ${apart} of ${seen[0].length}`;
})();
"""


@pytest.mark.skipif(BROWSER is None, reason="no chromium here to look at the picture with")
def test_strips_and_profile_change_no_pixel(tmp_path: Path) -> None:
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
    page.write_text("".join(f'<img src="{url}">' for url in sources) + f"<script>{SCRIPT}</script>")
    command = [str(BROWSER), "--headless", "--no-sandbox", "--disable-gpu", "--virtual-time-budget=20000"]
    command += [f"--user-data-dir={tmp_path / 'profile'}", "--dump-dom", page.as_uri()]
    shown = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True).stdout
    found = re.search(r"apart ([\d,]+) of (\d+)", shown)
    assert found
    assert found.groups() == ("0,0,0", str(320 * 160 * 4))
