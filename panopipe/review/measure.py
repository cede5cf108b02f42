"""Everything the checks want to know of one finished picture, measured once and kept.

A picture is decoded at the smallest of its JPEG's own reductions that is still 2560 wide or more: every
number here is one of a reduced picture, good for comparison, and the full size is given beside it.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.review.cast import neutral_cast
from panopipe.review.closure import pole_pinch, seam_step
from panopipe.review.detail import edge_width_px, grain_codes
from panopipe.review.exposure import clipped_share, crushed_share, median_exposure_ev
from panopipe.review.series import SKETCH
from panopipe.sphere.upright import horizon_tilt

VERSION = 9
"""Raised when a measure changes; what was kept is then measured again."""
ENOUGH_PX = 2560
"""Width in pixels at which a picture is measured, or the next larger one its JPEG can be reduced to."""


_SMALL_PX = 1024
"""Width in pixels at which light and colour are measured."""


@dataclass(frozen=True, slots=True)
class Measures:
    """Numbers of one finished picture.

    Attributes
    ----------
    width, height : int
        Size of the file in pixels.
    measured_width : int
        Width at which the rest was measured.
    clipped_share, crushed_share : float
        Share of the sphere that is blank white or solid black, 0 to 1.
    exposure_ev : float
        Median luminance over the sphere, EV from white.
    seam_codes, seam_usual_codes : float
        Step across the seam, and the 95th percentile elsewhere.
    zenith_codes, zenith_usual_codes, nadir_codes, nadir_usual_codes : float
        Roughness at each pole, and the 99th percentile around it.
    tilt_deg, tilt_yaw_deg, tilt_error_deg : float or None
        Tilt of the horizon; None when undetermined.
    cast_a, cast_b : float or None
        CIE a*, b* of what should be white; None when nothing is light enough.
    grain_codes : float or None
        Grain of the flat parts; None when nothing is flat.
    edge_width_px : float
        Width of the sharpest edges in pixels of the measured width; 0 when there was nothing to judge by.
    """

    width: int
    height: int
    measured_width: int
    clipped_share: float
    crushed_share: float
    exposure_ev: float
    seam_codes: float
    seam_usual_codes: float
    zenith_codes: float
    zenith_usual_codes: float
    nadir_codes: float
    nadir_usual_codes: float
    tilt_deg: float | None
    tilt_yaw_deg: float | None
    tilt_error_deg: float | None
    cast_a: float | None
    cast_b: float | None
    grain_codes: float | None
    edge_width_px: float

    def plain(self) -> dict[str, Any]:
        """The numbers as JSON holds them."""
        return asdict(self)


def measure(
    rgb8: NDArray[np.uint8], width: int, height: int, small: NDArray[np.uint8] | None = None
) -> Measures:
    """Measure a whole frame (sRGB, red first); `width` and `height` are those of the file.

    `small` is the frame as `reduced` gives it, if it is at hand.
    """
    seam = seam_step(rgb8)
    zenith, nadir = pole_pinch(rgb8, up=True), pole_pinch(rgb8, up=False)
    small = reduced(rgb8) if small is None else small
    tilt, cast = horizon_tilt(rgb8), neutral_cast(small)
    return Measures(
        width=width,
        height=height,
        measured_width=int(rgb8.shape[1]),
        clipped_share=clipped_share(small),
        crushed_share=crushed_share(small),
        exposure_ev=median_exposure_ev(small),
        seam_codes=seam[0],
        seam_usual_codes=seam[1],
        zenith_codes=zenith[0],
        zenith_usual_codes=zenith[1],
        nadir_codes=nadir[0],
        nadir_usual_codes=nadir[1],
        tilt_deg=tilt.tilt_deg if tilt else None,
        tilt_yaw_deg=tilt.toward_yaw_deg if tilt else None,
        tilt_error_deg=tilt.error_deg if tilt else None,
        cast_a=cast[0] if cast else None,
        cast_b=cast[1] if cast else None,
        grain_codes=grain_codes(rgb8),
        edge_width_px=edge_width_px(rgb8),
    )


def reduced(rgb8: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """A whole frame at `_SMALL_PX` wide, area-averaged, or as it is if that is no smaller."""
    if rgb8.shape[1] <= _SMALL_PX:
        return rgb8
    size = (_SMALL_PX, round(_SMALL_PX * rgb8.shape[0] / rgb8.shape[1]))
    return np.asarray(cv2.resize(rgb8, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def sketch(rgb8: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Grey sketch of a whole frame, for finding doubles."""
    grey = cv2.cvtColor(rgb8, cv2.COLOR_RGB2GRAY)
    return np.asarray(cv2.resize(grey, SKETCH[::-1], interpolation=cv2.INTER_AREA), dtype=np.float32)
