"""How a cluster is named on the command line."""

from __future__ import annotations

import re

_HERE = re.compile(r"local:([1-9][0-9]{0,3})")
_ADDRESS = re.compile(r"(tcp|tls)://[^/\s]+:[0-9]{1,5}")


def local_workers(place: str) -> int:
    """Workers to start on this machine, of `local:N`; 0 for the address of a scheduler.

    Raises
    ------
    ValueError
        If it is neither.
    """
    if here := _HERE.fullmatch(place):
        return int(here[1])
    if _ADDRESS.fullmatch(place):
        return 0
    raise ValueError(
        f"{place!r} names no cluster; give the address of a scheduler, tcp://HOST:PORT or tls://HOST:PORT, "
        "or local:N to start N workers on this machine"
    )
