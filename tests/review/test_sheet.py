"""The contact sheet: every finished frame once, in its place, under a name that can be read."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import ImageFont

from panopipe.frame import FrameKey
from panopipe.review import assets, lettering, sheet
from panopipe.review.finding import FrameReview, JobReview
from panopipe.state.record import FrameRecord

ROOMS = {"bath": 1, "bedroom": 2, "deck": 1, "hall": 6, "lounge": 2, "study": 2}


@pytest.fixture
def alone(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A computer without fonts."""
    monkeypatch.setattr(lettering, "_FILES", ())
    lettering._fonts.cache_clear()
    yield
    lettering._fonts.cache_clear()


def drawn(folder: Path, rooms: dict[str, int], title: str = "Fenhollow") -> np.ndarray:
    """A sheet of frames of one colour each: the red of each tells which it is."""
    frames = []
    for room, number in rooms.items():
        for n in range(number):
            key = FrameKey(room, f"{room}-{n}")
            thumbnail = assets.names(folder, key).thumbnail
            thumbnail.parent.mkdir(parents=True, exist_ok=True)
            colour = np.full((320, 640, 3), (200, 0, 10 * (len(frames) + 1) % 256), np.uint8)
            cv2.imwrite(str(thumbnail), colour)
            frames.append(FrameReview(FrameRecord(key, "finished", outputs=("a.jpg",))))
    data = sheet.contact_sheet(JobReview(title, tuple(frames)), folder)
    return cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)[..., ::-1].astype(int)


def painted(picture: np.ndarray) -> np.ndarray:
    """Where a frame is, not paper or a name."""
    return (picture[..., 2] > 150) & (picture[..., 1] < 60)


def test_every_frame_is_there_once_and_whole(tmp_path: Path) -> None:
    picture = drawn(tmp_path, ROOMS)
    for number in range(sum(ROOMS.values())):
        seen = painted(picture) & (np.abs(picture[..., 0] - 10 * (number + 1)) < 5)
        assert seen.sum() == pytest.approx(560 * 280, rel=0.02)  # JPEG blurs the outermost pixel


def test_small_rooms_share_a_line(tmp_path: Path) -> None:
    """Lines: bath, bedroom and deck; hall's six on two rows; lounge and study."""
    seen = painted(drawn(tmp_path, ROOMS))
    begins = np.flatnonzero(np.diff(seen[:, 100].astype(int)) == 1)
    across = [int((np.diff(seen[row + 100].astype(int)) == 1).sum()) for row in begins]
    assert across == [4, 4, 2, 4]


def test_a_very_large_job_gets_smaller_pictures(tmp_path: Path) -> None:
    picture = drawn(tmp_path, {f"room-{n:03d}": 3 for n in range(120)})
    assert picture.shape[0] < 20000


@pytest.mark.parametrize("name", ["Küche 1", "Ложа", "日本間", "hall/01", "tab\there"])
def test_no_letter_is_drawn_as_the_box_of_a_missing_one(name: str) -> None:
    text, font = lettering.lettering(name, 24)
    missing = bytes(font.getmask("\U0010fffd"))
    assert all(bytes(font.getmask(letter)) != missing for letter in text)


@pytest.mark.usefixtures("alone")
@pytest.mark.parametrize(
    ("name", "shown"), [("Küche 1 名", "Kuche 1 ?"), ("u\u0308ber", "uber"), ("a\tb", "a?b")]
)
def test_letters_that_no_font_has_are_owned_up_to(name: str, shown: str) -> None:
    assert lettering.lettering(name, 24)[0] == shown


def test_a_computers_font_is_used_where_it_knows_more() -> None:
    try:
        ImageFont.truetype("DejaVuSans.ttf", 24)
    except OSError:
        pytest.skip("DejaVu Sans is not on this computer: apt install fonts-dejavu-core")
    assert lettering.lettering("Küche 1", 24)[0] == "Küche 1"
