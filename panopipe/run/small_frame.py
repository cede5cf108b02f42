"""A frame at a small width, held in memory: what proofs are made from."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from panopipe.frame import FrameFacts, Rows
from panopipe.pipeline.engine import BEFORE_WIDTH, reduce_rows
from panopipe.stage import FrameReader


def small_bytes(before: Rows) -> bytes:
    """Spell light at `BEFORE_WIDTH` for keeping: half floats, 11 bits of precision, enough for a proof."""
    return np.clip(before, -65504, 65504).astype(np.float16).tobytes()


class SmallFrame(FrameReader):
    """A frame at a small width, from the light that was kept of it; to the stages it is a frame like any.

    Parameters
    ----------
    kept : Path
        What `small_bytes` spelled.
    facts : FrameFacts
        Of the frame itself.
    width : int
        Even, at most that of the frame.

    Raises
    ------
    ValueError
        If the file is not what was kept of such a frame.
    OSError
        If it cannot be read.
    """

    def __init__(self, kept: Path, facts: FrameFacts, width: int) -> None:
        wide = min(facts.width, BEFORE_WIDTH)
        if kept.stat().st_size != wide // 2 * wide * 3 * 2:
            raise ValueError("the light kept for proofs is damaged; delete .panopipe/small")
        rows = np.fromfile(kept, np.float16).reshape(wide // 2, wide, 3).astype(np.float32)
        width = min(width, wide)
        anchor = round(facts.anchor_column * width / facts.width) % width
        self.facts = replace(facts, width=width, height=width // 2, anchor_column=anchor)
        self.notes = {}
        self._rows = reduce_rows(rows, width)

    def reduced(self, width: int) -> Rows:
        """Return the frame at `width`."""
        return reduce_rows(self._rows, width)

    def read(self, first: int, last: int) -> Rows:
        """Rows, a new array each time."""
        return self._rows[first:last].copy()

    def close(self) -> None:
        """Let go of the rows."""
        self._rows = self._rows[:0]
