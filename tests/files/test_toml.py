"""Lines of TOML keys, held against Python's own parser for the values."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from panopipe.files.toml import TomlError, parse_toml

TRICKY = b'''# a comment
a.b = 1
text = """
[not.a.table]
not_a_key = 2
"""  # done
[tone]
"exposure ev" = 1 # [x]
list = [ # c
 "a", # ]
 'b=[',
]
[ "room.one" . x ] # [hi]
inline = {a=1, b=[2,
3]}
literal = \'\'\'
k = 1\'\'\'\'
'''


def test_every_key_has_its_line() -> None:
    document = parse_toml(TRICKY)
    assert document.lines == {
        ("a", "b"): 2,
        ("a",): 2,
        ("text",): 3,
        ("tone",): 7,
        ("tone", "exposure ev"): 8,
        ("tone", "list"): 9,
        ("room.one", "x"): 13,
        ("room.one", "x", "inline"): 14,
        ("room.one", "x", "literal"): 16,
    }
    assert document.line("tone", "list", "deeper") == 9
    assert document.line("nowhere") == 0


@given(st.lists(st.text("ab =[]#\"'\\\n", max_size=12), max_size=6))
def test_any_text_is_either_a_fault_or_has_lines_for_all_keys(lines: list[str]) -> None:
    data = "\n".join(lines).encode()
    try:
        document = parse_toml(data)
    except TomlError:
        return
    assert {path[0] for path in document.lines} == set(document.values)


@pytest.mark.parametrize(
    ("text", "line"), [("a = 1\nb = \n", 2), ("a = 1\na = 2\n", 2), ("ok = 1\n\nx = 'open", 3)]
)
def test_a_fault_tells_its_line(text: str, line: int) -> None:
    with pytest.raises(TomlError) as caught:
        parse_toml(text.encode())
    assert caught.value.line == line
