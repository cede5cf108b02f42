"""A frame at a small width, held in memory: what proofs are made from."""

from __future__ import annotations

from dataclasses import replace

from panopipe.frame import FrameFacts, Rows
from panopipe.pipeline.engine import reduce_rows
from panopipe.stage import FrameReader


class SmallFrame(FrameReader):
    """A frame at a small width, from light that is at hand; to the stages it is a frame like any.

    Parameters
    ----------
    rows : ndarray of shape (h, 2 h, 3), dtype float32
        Linear light of the whole frame, reduced, anchor column first.
    facts : FrameFacts
        Of the frame itself.
    width : int
        Even, at most that of the frame.
    """

    def __init__(self, rows: Rows, facts: FrameFacts, width: int) -> None:
        width = min(width, rows.shape[1])
        anchor = round(facts.anchor_column * width / facts.width) % width
        self.facts = replace(facts, width=width, height=width // 2, anchor_column=anchor, proof=True)
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
