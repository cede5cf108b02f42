"""Put frames as decoded beside finished ones, for the README: `python -m sample_job.make.before_after`.

Needs a finished sample job (`panopipe run sample_job`).
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

JOB = Path(__file__).parents[1]
FRAMES = ("lounge/lounge-01", "bedroom/bedroom-01", "deck/deck-01")
WIDTH, GAP, SURROUND = 900, 12, 48


def read(path: Path) -> np.ndarray:
    """Read a picture, reduced to the width it has on the sheet."""
    picture = cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_COLOR)
    return cv2.resize(picture, (WIDTH, WIDTH // 2), interpolation=cv2.INTER_AREA)


def main() -> None:
    """Write `sample_job/pictures/before-after.jpg`: decoded on the left, finished on the right."""
    rows = []
    for frame in FRAMES:
        pair = [read(JOB / folder / f"{frame}.jpg") for folder in (".panopipe/before", "finished")]
        rows.append(np.hstack([pair[0], np.full((WIDTH // 2, GAP, 3), SURROUND, np.uint8), pair[1]]))
        rows.append(np.full((GAP, 2 * WIDTH + GAP, 3), SURROUND, np.uint8))
    done, coded = cv2.imencode(".jpg", np.vstack(rows[:-1]), [cv2.IMWRITE_JPEG_QUALITY, 88])
    if not done:
        raise ValueError("the picture could not be coded")
    (JOB / "pictures").mkdir(exist_ok=True)
    coded.tofile(JOB / "pictures" / "before-after.jpg")


if __name__ == "__main__":
    main()
