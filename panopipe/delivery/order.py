"""The order in which one walks through a house."""

from __future__ import annotations

from collections.abc import Sequence

from panopipe.state.record import FrameRecord


def walking_order(records: Sequence[FrameRecord]) -> list[FrameRecord]:
    """Frames in the order in which they were taken; as the job has them where that is not known of all.

    The sort is stable, so that frames of one second keep the order of their names.
    """
    if not all(record.taken.strip(" 0:") for record in records):  # "0000:00:00 00:00:00" is no time
        return list(records)
    return sorted(records, key=lambda record: record.taken)
