"""Memory for what lies between the steps of a pointwise operation, used again by the next band.

Fresh memory for each intermediate plane costs more than the arithmetic on it, and a few rows at a time keep
all planes of an operation in the processor's second cache. Each thread has memory of its own.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from math import prod
from typing import Any

import numpy as np
from numpy.typing import NDArray

AT_ONCE_PIXELS = 16 * 1024
"""Pixels worked on at a time: eight planes of them, float32, are 512 KiB."""
_PAGE, _STAGGER = 4096, 9 * 64
"""Bytes after which caches begin anew, and steps of whole cache lines that share no factor with them."""
_BESIDE = 16
"""Bytes beside the start of a cache line. OpenCV writes interleaved planes to memory that begins with a line
past the caches, and what is read again at once is then fetched from afar (five times slower)."""


class _Memory(threading.local):
    def __init__(self) -> None:
        self.blocks: dict[str, NDArray[np.uint8]] = {}
        self.views: dict[tuple[str, tuple[int, ...], Any], NDArray[Any]] = {}


_memory = _Memory()


def scratch(name: str, shape: tuple[int, ...], dtype: type[np.generic] = np.float32) -> NDArray[Any]:
    """Memory that nobody needs any more.

    Parameters
    ----------
    name : str
        Whose memory, and for what; who asks by the same name again gets the same memory again.
    shape : tuple of int
        Shape of the array.
    dtype : type, default float32
        Its type.

    Returns
    -------
    ndarray of that shape and type
        Contiguous; holds whatever was left in it.
    """
    view = _memory.views.get((name, shape, dtype))
    if view is None:
        view = _memory.views[name, shape, dtype] = _view(name, shape, np.dtype(dtype))
    return view


def _view(name: str, shape: tuple[int, ...], dtype: np.dtype[Any]) -> NDArray[Any]:
    size = prod(shape) * dtype.itemsize
    block = _memory.blocks.get(name)
    if block is None or block.size < size:
        block = _memory.blocks[name] = _apart(size, len(_memory.blocks))
        _memory.views = {key: view for key, view in _memory.views.items() if key[0] != name}
    return block[:size].view(dtype).reshape(shape)


def _apart(size: int, number: int) -> NDArray[np.uint8]:
    """Memory whose start lies at another place of a page than that of its neighbours by number.

    Planes that start at the same place of their pages fight for the same lines of the first cache.
    """
    block = np.empty(size + 2 * _PAGE, np.uint8)
    start = (number * _STAGGER + _BESIDE - block.ctypes.data) % _PAGE
    return block[start : start + size]


def few_rows(rows: NDArray[Any]) -> Iterator[tuple[int, NDArray[Any]]]:
    """Cut rows (n, width, ...) into groups of about `AT_ONCE_PIXELS`: index of the first, and the rows."""
    step = max(1, AT_ONCE_PIXELS // max(rows.shape[1], 1))
    for start in range(0, len(rows), step):
        yield start, rows[start : start + step]
