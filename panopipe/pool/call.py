"""A call to a worker process and its answer, as bytes. They pass between panopipe's own processes only."""

from __future__ import annotations

import pickle
from collections.abc import Callable, Mapping, Sequence
from typing import Any


def packed(fn: Callable[..., Any], args: Sequence[Any], kwargs: Mapping[str, Any]) -> bytes:
    """A call as bytes; `fn` and its arguments must be picklable."""
    return pickle.dumps((fn, args, kwargs), pickle.HIGHEST_PROTOCOL)


def answered(call: bytes) -> bytes:
    """Do a call; its result, or what it raised, as bytes that can be read again."""
    fn, args, kwargs = pickle.loads(call)
    try:
        answer = (True, fn(*args, **kwargs))
    except Exception as error:
        answer = (False, error)
    try:
        data = pickle.dumps(answer, pickle.HIGHEST_PROTOCOL)
        pickle.loads(data)  # some exceptions pickle and do not come back
        return data
    except Exception as error:
        text = f"{type(answer[1]).__name__}: {answer[1]} ({error})"
        return pickle.dumps((False, RuntimeError(text)), pickle.HIGHEST_PROTOCOL)


def read_answer(data: bytes) -> tuple[bool, Any]:
    """Whether a call went well, and its result or what it raised."""
    good, result = pickle.loads(data)
    return bool(good), result
