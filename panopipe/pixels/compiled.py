"""Which form of an operation runs: the compiled one, or the definition in numpy that it was written after.

Both do the same roundings in the same order, so both give the same bits, and so does any machine.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from functools import wraps
from importlib import import_module
from typing import Any, ParamSpec, TypeVar

_kernels: Any = None
with suppress(ImportError):  # there is none where panopipe was installed without a compiler
    _kernels = import_module("panopipe.pixels._kernels")

P = ParamSpec("P")
R = TypeVar("R")

COMPILED = _kernels is not None
"""Whether the compiled forms are there."""
NOT_COMPILED = (
    "panopipe was installed without a C compiler: pictures are the same, each takes several times as long; "
    "install a compiler, then panopipe again"
)
"""What a user should know where they are not."""


def compiled(name: str) -> Callable[[Callable[P, R]], Callable[P, R]]:
    """Let an operation run in its compiled form, `name` in `_kernels`; its definition is `__wrapped__`.

    The compiled form takes the same arguments by position, and is stricter: arrays must be contiguous, of
    the types and shapes that the definition's docstring says.
    """

    def choose(definition: Callable[P, R]) -> Callable[P, R]:
        kernel: Callable[P, R] = getattr(_kernels, name, definition)

        @wraps(definition)
        def operation(*args: P.args, **kwargs: P.kwargs) -> R:
            return kernel(*args, **kwargs)

        return operation

    return choose
