"""A frame at a small width, held in memory: what proofs are made from."""

from __future__ import annotations

from dataclasses import replace

from panopipe.frame import FrameFacts, Rows
from panopipe.pipeline.engine import reduce_rows
from panopipe.stage import FrameReader


def small_facts(facts: FrameFacts, width: int) -> FrameFacts:
    """Facts of a frame at a small width."""
    anchor = round(facts.anchor_column * width / facts.width) % width
    return replace(facts, width=width, height=width // 2, anchor_column=anchor, proof=True)


def small_start(facts: FrameFacts, width: int, own_width: int) -> float:
    """Column at which a frame at a small width begins, so that its pixels are whole ones in the file.

    Parameters
    ----------
    facts : FrameFacts
        Of the frame.
    width : int
        The small width.
    own_width : int
        Width of the rows that are reduced to it, which begin at the anchor column.
    """
    begins = small_facts(facts, width).anchor_column * facts.width / width
    return (begins - facts.anchor_column) * own_width / facts.width


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
        self.facts = small_facts(facts, width)
        self.notes = {}
        self._rows = reduce_rows(rows, width, small_start(facts, width, rows.shape[1]))

    def reduced(self, width: int) -> Rows:
        """Return the frame at `width`."""
        return reduce_rows(self._rows, width)

    def read(self, first: int, last: int) -> Rows:
        """Rows, a new array each time."""
        return self._rows[first:last].copy()

    def close(self) -> None:
        """Let go of the rows."""
        self._rows = self._rows[:0]
