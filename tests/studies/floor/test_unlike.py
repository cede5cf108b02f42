"""Unlike the floor: what is compared with what."""

import cv2
import numpy as np

from panopipe.studies.floor.unlike import _APART_PX, SIZE_PX, _Spots


def test_spots_near_each_other_are_no_evidence_of_repeating() -> None:
    """Pairs that are left out are all that lie nearer than `_APART_PX`, counted one by one."""
    grain = np.random.default_rng(5).normal(size=(SIZE_PX, SIZE_PX, 3)).astype(np.float32)
    spots = _Spots(cv2.GaussianBlur(grain, (0, 0), 2))
    some = spots.bank[:: len(spots.bank) // 50]
    first, second = (np.stack(np.divmod(which, SIZE_PX), -1) for which in (some, spots.bank))
    apart = np.square(first[:, None] - second).sum(-1)
    wanted = set(zip(*np.nonzero(apart < _APART_PX**2), strict=True))
    assert set(zip(*spots.near(some), strict=True)) == wanted
