"""Whose turn it is: one picture is made at a time, and of what a page asks for only the newest counts."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from panopipe.pipeline.held import Superseded

_MOST_PAGES = 64


class LatestRequests:
    """Lets one request work at a time."""

    def __init__(self) -> None:
        self._working, self._counting = threading.Lock(), threading.Lock()
        self._newest: dict[str, int] = {}

    @contextmanager
    def turn(self, page: str, number: int) -> Iterator[Callable[[], bool]]:
        """Wait for a turn.

        Parameters
        ----------
        page : str
            The page that asks, and what for: requests of other pages or for other things stay wanted.
        number : int
            Grows with each request.

        Yields
        ------
        callable
            Whether the picture is wanted still.

        Raises
        ------
        Superseded
            If the page has asked for another meanwhile.
        """
        with self._counting:
            if len(self._newest) > _MOST_PAGES:
                self._newest.clear()
            self._newest[page] = max(number, self._newest.get(page, number))

        def is_wanted() -> bool:
            return self.is_newest(page, number)

        with self._working:
            if not is_wanted():
                raise Superseded
            yield is_wanted

    def is_newest(self, page: str, number: int) -> bool:
        """Whether a page has asked for nothing newer than a request."""
        return self._newest.get(page, number) <= number
