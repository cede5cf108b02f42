"""Plain data to JSON and back: what the ledger keeps, and what fingerprints are made of.

A job folder may come from a stranger, and what lies in it is data. So nothing is pickled there: numbers,
text, arrays, lists and mappings are spelled out, and of classes only the dataclasses, named tuples and
enumerations of a stage's own package (already imported for another reason) are made again.
"""

from __future__ import annotations

import base64
import dataclasses
import hashlib
import json
import sys
from collections.abc import Collection, Iterable, Mapping
from enum import Enum
from typing import Any

import numpy as np

HERE = "panopipe"
_ARRAY_KINDS = "biufcSU"


def digest(*parts: object) -> str:
    """SHA-256 of plain data, in hex; equal data give equal digests.

    Raises
    ------
    TypeError
        If a part is not plain data.
    """
    return hashlib.sha256(dumps(parts).encode()).hexdigest()


def digest_of(items: Iterable[object]) -> str:
    """SHA-256 of plain data, one after the other, of which only one is held at a time.

    Raises
    ------
    TypeError
        If one is not plain data.
    """
    sha256 = hashlib.sha256()
    for item in items:
        sha256.update(f"{dumps(item)}\n".encode())
    return sha256.hexdigest()


def dumps(value: object) -> str:
    """Spell plain data as JSON.

    Raises
    ------
    TypeError
        If something in it is not plain data.
    """
    return json.dumps(_spelled(value), ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def loads(text: str, packages: Collection[str] = (HERE,)) -> Any:
    """Read what `dumps` spelled.

    Parameters
    ----------
    text : str
        JSON.
    packages : collection of str
        Top-level packages whose dataclasses, named tuples and enumerations may be made.

    Raises
    ------
    ValueError
        If the text is not what `dumps` spells, or names another class.
    """
    try:
        return _read(json.loads(text), frozenset(packages))
    except (TypeError, KeyError, IndexError, AttributeError, RecursionError) as error:
        raise ValueError(f"not data that panopipe wrote ({error})") from error


def packages_of(stage: object) -> frozenset[str]:
    """Top-level packages whose classes may stand in what a stage gave: panopipe and the stage's own."""
    return frozenset({HERE, type(stage).__module__.partition(".")[0]})


def _spelled(value: object) -> Any:  # noqa: PLR0911 - one line per type is what reads best here
    if value is None or (isinstance(value, bool | str) and type(value) in (bool, str)):
        return value
    if isinstance(value, Enum):
        return ["enum", _class_name(type(value)), value.name]
    if type(value) is int:
        return value
    if type(value) is float:
        return ["float", value.hex()]
    if isinstance(value, bytes):
        return ["bytes", base64.b64encode(value).decode()]
    if isinstance(value, np.ndarray | np.generic) and value.dtype.kind in _ARRAY_KINDS:
        kind = "array" if isinstance(value, np.ndarray) else "scalar"
        data = base64.b64encode(np.ascontiguousarray(value).tobytes()).decode()
        return [kind, value.dtype.str, list(value.shape), data]
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = {f.name: _spelled(getattr(value, f.name)) for f in dataclasses.fields(value) if f.init}
        return ["record", _class_name(type(value)), fields]
    if isinstance(value, tuple) and hasattr(value, "_fields"):
        return ["named", _class_name(type(value)), [_spelled(item) for item in value]]
    if isinstance(value, list | tuple):
        return ["tuple" if isinstance(value, tuple) else "list", *map(_spelled, value)]
    if isinstance(value, set | frozenset):
        return [type(value).__name__, *sorted(map(_spelled, value), key=json.dumps)]
    if isinstance(value, Mapping):
        pairs = [[_spelled(key), _spelled(item)] for key, item in value.items()]
        return ["dict", *sorted(pairs, key=lambda pair: json.dumps(pair[0]))]
    raise TypeError(f"{type(value).__name__} is not plain data; use numbers, text, arrays and dataclasses")


def _class_name(cls: type) -> str:
    return f"{cls.__module__}:{cls.__qualname__}"


def _read(value: Any, packages: frozenset[str]) -> Any:
    if not isinstance(value, list):
        if isinstance(value, dict | float):
            raise ValueError("not data that panopipe wrote")
        return value
    kind, *rest = value
    return _READ[kind](rest, packages)


def _read_array(rest: list[Any], _: frozenset[str]) -> Any:
    dtype, shape, data = np.dtype(rest[0]), tuple(rest[1]), base64.b64decode(rest[2])
    if dtype.kind not in _ARRAY_KINDS:
        raise ValueError(f"arrays of {dtype} are not read")
    return np.frombuffer(data, dtype).reshape(shape).copy()


def _read_record(rest: list[Any], packages: frozenset[str]) -> Any:
    cls = _class(rest[0], packages)
    if not dataclasses.is_dataclass(cls):
        raise ValueError(f"{rest[0]} is no dataclass")
    return cls(**{name: _read(item, packages) for name, item in rest[1].items()})


def _read_named(rest: list[Any], packages: frozenset[str]) -> Any:
    cls = _class(rest[0], packages)
    if not (issubclass(cls, tuple) and hasattr(cls, "_make")):
        raise ValueError(f"{rest[0]} is no named tuple")
    return cls._make(_read(item, packages) for item in rest[1])


def _read_enum(rest: list[Any], packages: frozenset[str]) -> Any:
    cls = _class(rest[0], packages)
    if not issubclass(cls, Enum):
        raise ValueError(f"{rest[0]} is no enumeration")
    return cls[rest[1]]


def _class(name: str, packages: frozenset[str]) -> type:
    """Class of that name, from a module that is loaded already: reading data imports nothing."""
    module, _, qualified = name.partition(":")
    if module.partition(".")[0] not in packages or module not in sys.modules:
        raise ValueError(f"{name} is not read from a job folder")
    named: Any = sys.modules[module]
    for part in qualified.split("."):
        named = getattr(named, part)
    if not isinstance(named, type) or named.__module__ != module:
        raise ValueError(f"{name} is not read from a job folder")
    return named


_READ: dict[str, Any] = {
    "float": lambda rest, _: float.fromhex(rest[0]),
    "bytes": lambda rest, _: base64.b64decode(rest[0]),
    "array": _read_array,
    "scalar": lambda rest, packages: _read_array(rest, packages)[()],
    "record": _read_record,
    "named": _read_named,
    "enum": _read_enum,
    "list": lambda rest, packages: [_read(item, packages) for item in rest],
    "tuple": lambda rest, packages: tuple(_read(item, packages) for item in rest),
    "set": lambda rest, packages: {_read(item, packages) for item in rest},
    "frozenset": lambda rest, packages: frozenset(_read(item, packages) for item in rest),
    "dict": lambda rest, packages: {_read(key, packages): _read(item, packages) for key, item in rest},
}
