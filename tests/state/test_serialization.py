"""Plain data keep their value and type; classes of strangers are not made."""

import dataclasses
import enum
import math
from typing import Any, NamedTuple

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from panopipe.frame import FrameFacts, FrameKey
from panopipe.state.serialization import digest, dumps, loads

simple = st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text() | st.binary()
keys = st.text() | st.integers() | st.tuples(st.text(), st.integers())
plain = st.recursive(
    simple,
    lambda inner: (
        st.lists(inner) | st.lists(inner).map(tuple) | st.dictionaries(keys, inner) | st.frozensets(keys)
    ),
    max_leaves=12,
)


@given(plain)
def test_plain_data_come_back(value: Any) -> None:
    back = loads(dumps(value))
    assert back == value
    assert repr(type(back)) == repr(type(value))


@given(st.dictionaries(keys, simple))
def test_equal_data_have_equal_digests(value: dict[Any, Any]) -> None:
    turned = dict(reversed(list(value.items())))
    assert digest(value) == digest(turned)


class Mood(enum.Enum):
    GOOD = 1


class Pair(NamedTuple):
    one: int
    two: float


@dataclasses.dataclass(frozen=True)
class Holder:
    mood: Mood
    rows: Any


HERE = __name__.partition(".")[0]


def test_arrays_and_classes_of_allowed_packages_come_back() -> None:
    rows = np.arange(6, dtype=np.float32).reshape(2, 3)
    facts = FrameFacts(FrameKey("hall", "a"), 64, 32, correction=np.eye(3))
    held = loads(dumps([Holder(Mood.GOOD, rows), Pair(1, math.inf), facts]), {"panopipe", HERE})
    assert (held[0].mood, held[1]) == (Mood.GOOD, Pair(1, math.inf))
    assert np.array_equal(held[0].rows, rows)
    assert held[0].rows.dtype == np.float32
    assert held[2].key == FrameKey("hall", "a")
    assert isinstance(loads(dumps(np.float32(0.1))), np.float32)


@pytest.mark.parametrize(
    "text",
    [
        '["record","subprocess:Popen",{"args":"true"}]',
        '["record","panopipe.state.serialization:sys",{}]',
        '["record","builtins:dict",{}]',
        '["named","panopipe.frame:Frame",[]]',
        '["enum","panopipe.frame:FrameKey","room"]',
        '["array","|O",[1],"AAAAAAAAAAA="]',
        '["array","<f4",[99999999999],"AAAA"]',
        '["eval","1"]',
        "[" * 5000,
        "{}",
        "1.5",
        "nonsense",
    ],
)
def test_what_panopipe_did_not_write_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r".+"):
        loads(text)


def test_a_class_of_another_package_is_refused() -> None:
    with pytest.raises(ValueError, match="not read from a job folder"):
        loads(dumps(Pair(1, 2.0)), {"elsewhere"})


def test_what_is_not_plain_is_told() -> None:
    with pytest.raises(TypeError, match="object is not plain data"):
        dumps([object()])
    with pytest.raises(TypeError, match="ndarray is not plain data"):
        dumps(np.array([object()]))
