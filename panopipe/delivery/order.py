"""The order in which one walks through a house."""

from __future__ import annotations

from collections.abc import Sequence

from panopipe.state.record import FrameRecord


def walking_order(records: Sequence[FrameRecord]) -> list[FrameRecord]:
    """Rooms in the order in which they were first entered, their frames as they were taken.

    A frame that was taken again at the end of the day stands with its room. Where the time is not known of
    all, the order is that of the job, by names. Frames of one second keep that order, too.
    """
    if not all(record.taken.strip(" 0:") for record in records):  # "0000:00:00 00:00:00" is no time
        return list(records)
    entered: dict[str, str] = {}
    for record in sorted(records, key=lambda record: record.taken):
        entered.setdefault(_place(record), record.taken)
    return sorted(records, key=lambda record: (entered[_place(record)], _place(record), record.taken))


def _place(record: FrameRecord) -> str:
    """The room; the frame itself where it belongs to none."""
    return record.key.room or f"/{record.key.name}"
