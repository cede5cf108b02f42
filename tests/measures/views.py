"""The rows that a view reads."""

import math

from panopipe.sphere.geometry import pixel_of, yaw_pitch
from panopipe.sphere.sampling import REACH
from panopipe.sphere.views import View


def rows_needed(view: View, width: int) -> tuple[int, int]:
    """First row and one past the last row of a frame `width` wide that a view reads, kernels included."""
    height = width // 2
    _, rows = pixel_of(*yaw_pitch(view.directions()), width)
    first = max(0, math.floor(float(rows.min())) - REACH)
    last = min(height, math.ceil(float(rows.max())) + 1 + REACH)
    return first, last
