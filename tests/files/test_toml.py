"""Lines of TOML keys, held against Python's own parser for the values."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from panopipe.files.toml import MOST_BYTES, TomlError, parse_toml

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


@pytest.mark.parametrize("around", ["{} = 1", "[{}]", "[[{}]]", "a = {{{} = 1}}", "a = {{b = 1, {} = 1}}"])
def test_a_key_of_endless_parts_is_refused_before_it_is_parsed(around: str) -> None:
    """A fault once seen: ten seconds and 1.6 GB for a file of 40 KB."""
    text = "x = 1\n" + around.format(" . ".join(["a"] * 50_000))
    with pytest.raises(TomlError, match="a key of more than 32 parts") as caught:
        parse_toml(text.encode()[:MOST_BYTES])
    assert caught.value.line == 2


def test_dots_in_texts_are_no_parts_of_keys() -> None:
    dotted = ".".join(["a"] * 99)
    document = parse_toml(f"a = \"see {dotted}\" # {dotted}\nb = ['{dotted}']\n".encode())
    assert document.values["b"] == [dotted]
