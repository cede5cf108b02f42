"""What is told of a damaged frame: what kind of part, where, and how much of the frame."""

from __future__ import annotations

import numpy as np

from panopipe.studies.damage.blocks import Mask, filled, random, repeated, shifted
from panopipe.studies.damage.summary import Summary

_DC_BLOCK = 8
"""Rows of a block of cosine-coded JPEG."""


def damage(seen: Summary, *, cosine_coded: bool = False) -> str:
    """What is damaged, in a few words with the place of the largest part; empty if nothing is.

    Parameters
    ----------
    seen : Summary
        The frame.
    cosine_coded : bool
        Whether its samples come from blocks of cosines, so that light may jump where a block begins.
    """
    kinds: dict[str, Mask] = {
        "filled with one value": filled(seen) if not cosine_coded else np.zeros(seen.mean.shape, bool),
        "random": random(seen),
        "a copy of another": repeated(seen),
        "shifted": shifted(seen, _DC_BLOCK if cosine_coded else 1),
    }
    name = max(kinds, key=lambda kind: np.count_nonzero(kinds[kind]))
    parts = kinds[name]
    if not parts.any():
        return ""
    rows = np.flatnonzero(parts.any(1))
    left = 16 * int(np.flatnonzero(parts[rows[0]])[0])
    share = 100 * np.count_nonzero(parts) / parts.size
    much = f"{share:.2g} %" if share >= 0.01 else "less than 0.01 %"
    return f"{much} of its samples {name}, from row {rows[0]}, column {left} on"
