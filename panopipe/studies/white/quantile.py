"""Quantiles of values that do not count alike."""

from __future__ import annotations

import numpy as np

from panopipe.colour.spaces import Matrix


def weighted_quantile(values: Matrix, weight: Matrix, share: float) -> float:
    """The least of the values up to which the share of the weight lies; arrays of one shape.

    Raises
    ------
    IndexError
        If nothing has any weight.
    """
    counts = weight > 0
    values, weight = values[counts], weight[counts]
    order = np.argsort(values, kind="stable")
    running = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(running, share * running[-1])])
