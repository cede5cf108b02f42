"""The README's picture of the sample's bracket: `python -m sample_job.make.window ONE MERGED OUT`.

ONE and MERGED are the finished kitchen of a job that holds its first file only, and of the sample job.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2
import numpy as np

ROWS, COLUMNS = slice(220, 740), slice(180, 960)
"""The door, and the lamp beside it; shown at half the size."""


def main() -> None:
    """Write the two side by side."""
    parser = argparse.ArgumentParser(description=__doc__)
    for name in ("one", "merged", "out"):
        parser.add_argument(name, type=Path)
    asked = parser.parse_args()
    parts = [
        cv2.resize(
            np.asarray(cv2.imread(str(path)))[ROWS, COLUMNS],
            None,
            fx=0.5,
            fy=0.5,
            interpolation=cv2.INTER_AREA,
        )
        for path in (asked.one, asked.merged)
    ]
    gap = np.full((parts[0].shape[0], 8, 3), 255, np.uint8)
    cv2.imwrite(
        str(asked.out), np.concatenate([parts[0], gap, parts[1]], axis=1), [cv2.IMWRITE_JPEG_QUALITY, 90]
    )


if __name__ == "__main__":
    main()
