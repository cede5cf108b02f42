"""What a job file says of how its pictures are handed over."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from panopipe.job.file_names import pattern_fault

TABLE = "delivery"


@dataclass(frozen=True, slots=True)
class DeliveryFacts:
    """How the client wants the pictures; an option of the command goes before.

    Attributes
    ----------
    names : str
        Pattern for their names; empty for the usual one.
    width : int or None
        One of the exported widths.
    under_mb : float or None
        Largest picture, in megabytes.
    """

    names: str = ""
    width: int | None = None
    under_mb: float | None = None


KEYS = ("names", "width", "under_mb")


def delivery_facts(table: object, fault: Callable[[tuple[str, ...], str], None]) -> DeliveryFacts:
    """Read the table; what is wrong with it is told to `fault`, by key, and left out."""
    if not isinstance(table, Mapping):
        fault((TABLE,), f"must be a table with {', '.join(KEYS)}")
        return DeliveryFacts()
    names, width, under_mb = (table.get(key) for key in KEYS)
    if names is not None and (why := _names_fault(names)):
        fault((TABLE, "names"), why)
        names = None
    if width is not None and not (_is_number(width) and isinstance(width, int) and width >= 64):
        fault((TABLE, "width"), "must be one of the exported widths, such as 4096")
        width = None
    if under_mb is not None and not (_is_number(under_mb) and under_mb >= 0.01):
        fault((TABLE, "under_mb"), "must be a number of megabytes, such as 8")
        under_mb = None
    return DeliveryFacts(names or "", width, None if under_mb is None else float(under_mb))


def _names_fault(names: object) -> str:
    return pattern_fault(names) if isinstance(names, str) else 'must be text such as "{number}-{name}"'


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
