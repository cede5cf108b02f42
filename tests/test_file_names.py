"""Names of delivered files: in order, and such that every system takes them."""

from __future__ import annotations

import pytest

from panopipe.job.file_names import filled, name_faults, pattern_fault


@pytest.mark.parametrize(
    ("pattern", "room", "frame", "name"),
    [
        ("{number}-{name}", "hall", "hall-01", "003-hall-01"),
        ("{number}-{name}", "hall", "IMG_7", "003-hall-IMG_7"),
        ("{number}-{name}", "Hall", "hallway", "003-hallway"),
        ("{number}-{name}", "", "IMG_7", "003-IMG_7"),
        ("{room}/{number} {frame}", "hall", "a", "hall/003 a"),
        ("{room}-{frame}", "", "IMG_7", "IMG_7"),
        ("{room}/{number}", "", "IMG_7", "003"),
        ("{frame}", "cafe", "cafe\u0301", "caf\u00e9"),  # one form, whatever the disk it came from
    ],
)
def test_a_pattern_is_filled(pattern: str, room: str, frame: str, name: str) -> None:
    assert filled(pattern, number=3, count=120, room=room, frame=frame) == name


@pytest.mark.parametrize(
    ("pattern", "fault"),
    [
        ("{numbr}-x", "{numbr} is unknown in a pattern; did you mean number?"),
        ("{room}", "gives many pictures one name"),
        ("plain", "gives many pictures one name"),
        ("{number", "has a brace of no pair"),
        ("{number}}", "has a brace of no pair"),
        ("{number.real}", "{number.real} is unknown"),
        ("{number}-{name}", ""),
    ],
)
def test_a_wrong_pattern_says_why(pattern: str, fault: str) -> None:
    assert pattern_fault(pattern).startswith(fault)
    assert bool(pattern_fault(pattern)) == bool(fault)


# Windows: "Naming Files, Paths, and Namespaces" (Microsoft Learn); the rest is what file systems hold.
@pytest.mark.parametrize(
    "name",
    [
        "con.jpg", "NUL.tar.jpg", "com1", "COM\u00b9.jpg", "lpt9.jpg", "aux .jpg", "CONOUT$.jpg",
        "a<b.jpg", 'a"b.jpg', "a:b.jpg", "a|b.jpg", "a?b.jpg", "a*b.jpg", "a\\b.jpg",
        "room./x.jpg", "room /x.jpg", " x.jpg", ".hidden.jpg", "a/../b.jpg", "a//b.jpg", "/a.jpg",
        "a\nb.jpg", "a\x7fb.jpg", "a\u2028b.jpg", "a\ud800b.jpg", "a\u202egpj.exe.jpg",
        "x" * 252 + ".jpg", "\u00e9" * 126 + ".jpg", "a/" * 99 + "a.jpg",
    ],
)  # fmt: skip
def test_a_name_that_some_system_refuses_is_named(name: str) -> None:
    assert list(name_faults([name]))


@pytest.mark.parametrize(
    "name",
    [
        "01-hall-01.jpg",
        "console.jpg",
        "\u5c45\u9593 1.jpg",
        "caf\u00e9.jpg",
        "a'b&$(d) `e`.jpg",
        "a/b/c.jpg",
        "x.y.jpg",
    ],
)
def test_a_name_that_all_take_is_taken(name: str) -> None:
    assert not list(name_faults([name]))


@pytest.mark.parametrize(
    "names",
    [("a.jpg", "A.jpg"), ("caf\u00e9.jpg", "cafe\u0301.jpg"), ("stra\u00dfe.jpg", "STRASSE.jpg"),
     ("\ufb01x.jpg", "fix.jpg"), ("a.jpg", "a.jpg"), ("a.jpg", "A.jpg/b.jpg")],
)  # fmt: skip
def test_names_that_are_one_on_some_system_are_named(names: tuple[str, str]) -> None:
    assert list(name_faults(names))
