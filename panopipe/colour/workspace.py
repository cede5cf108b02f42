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
from numpy.typing import DTypeLike, NDArray

AT_ONCE_PIXELS = 24 * 1024
"""Pixels worked on at a time: eight planes of them, float32, are 768 KiB."""


class _Memory(threading.local):
    def __init__(self) -> None:
        self.blocks: dict[str, NDArray[np.uint8]] = {}


_memory = _Memory()


def scratch(name: str, shape: tuple[int, ...], dtype: DTypeLike = np.float32) -> NDArray[Any]:
    """Memory that nobody needs any more.

    Parameters
    ----------
    name : str
        Whose memory, and for what; who asks by the same name again gets the same memory again.
    shape : tuple of int
        Shape of the array.
    dtype : dtype, default float32
        Its type.

    Returns
    -------
    ndarray of that shape and type
        Contiguous; holds whatever was left in it.
    """
    kind = np.dtype(dtype)
    size = prod(shape) * kind.itemsize
    block = _memory.blocks.get(name)
    if block is None or block.size < size:
        block = _memory.blocks[name] = np.empty(size, np.uint8)
    return block[:size].view(kind).reshape(shape)


def few_rows(rows: NDArray[Any]) -> Iterator[tuple[int, NDArray[Any]]]:
    """Cut rows (n, width, ...) into groups of about `AT_ONCE_PIXELS`: index of the first, and the rows."""
    step = max(1, AT_ONCE_PIXELS // max(rows.shape[1], 1))
    for start in range(0, len(rows), step):
        yield start, rows[start : start + step]
