"""A frame seen at a smaller width, for proofs."""

from __future__ import annotations

from dataclasses import replace

from panopipe.frame import Rows
from panopipe.run.engine import reduce_rows
from panopipe.stage import Opened


class Shrunk(Opened):
    """Another frame at a smaller width, held in memory; to the stages it is a frame like any.

    Parameters
    ----------
    opened : Opened
        The frame; whoever opened it closes it.
    width : int
        Even, less than the frame's.
    """

    def __init__(self, opened: Opened, width: int) -> None:
        facts = opened.facts
        anchor = round(facts.anchor_column * width / facts.width) % width
        self.facts = replace(facts, width=width, height=width // 2, anchor_column=anchor)
        self.notes = opened.notes
        self._rows = opened.reduced(width)

    def reduced(self, width: int) -> Rows:
        """Return the frame at `width`."""
        return reduce_rows(self._rows, width)

    def read(self, first: int, last: int) -> Rows:
        """Rows, a new array each time."""
        return self._rows[first:last].copy()

    def close(self) -> None:
        """Let go of the rows."""
        self._rows = self._rows[:0]
