"""How long work will go on: said on the progress line."""

from __future__ import annotations

import time


class TimeLeft:
    """Tells from what is done what time is left.

    Parameters
    ----------
    whole : float
        All the work, in any measure.
    """

    def __init__(self, whole: float) -> None:
        self._whole = whole
        self._began = time.monotonic()

    def said(self, left: float) -> str:
        """Say what time is left, as the end of a line; nothing as long as nothing is done."""
        if left >= self._whole:
            return ""
        seconds = (time.monotonic() - self._began) * left / (self._whole - left)
        return f", about {in_words(seconds)} left"


def in_words(seconds: float) -> str:
    """Say a span of time as one would: 40 s, 12 min, 3 h 20 min."""
    if seconds < 90:
        return f"{max(1, round(seconds))} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 90 else f"{minutes // 60} h {minutes % 60:02d} min"
