from dataclasses import dataclass

import pytest

from panopipe.setting import choice, number, rules, switch, text, whole, wholes


@dataclass(frozen=True)
class Settings:
    exposure_ev: float = number("auto", "brightness", low=-6, high=6, unit="EV", auto=True)
    quality: int = whole(92, "quality", low=50, high=100)
    widths: tuple[int, ...] = wholes((), "widths", low=256, high=65534, unit="px")
    keep_position: bool = switch(False, "keep the position")
    fill: str = choice("floor", "what to put there", choices=("floor", "leave"))
    title: str = text("", "title")


RULES = rules(Settings)


@pytest.mark.parametrize(
    ("key", "value", "taken"),
    [
        ("exposure_ev", 1, 1.0),
        ("exposure_ev", "auto", "auto"),
        ("exposure_ev", -6.0, -6.0),
        ("quality", 50, 50),
        ("widths", [8192, 4096], (8192, 4096)),
        ("keep_position", True, True),
        ("fill", "leave", "leave"),
        ("title", "", ""),
    ],
)
def test_what_is_allowed_is_taken(key: str, value: object, taken: object) -> None:
    assert RULES[key].take(value) == taken
    assert type(RULES[key].take(value)) is type(taken)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("exposure_ev", 6.1),
        ("exposure_ev", float("nan")),
        ("exposure_ev", True),
        ("exposure_ev", "Auto"),
        ("quality", 92.0),
        ("quality", True),
        ("quality", 49),
        ("widths", 8192),
        ("widths", [100]),
        ("widths", [8192.0]),
        ("keep_position", 1),
        ("fill", "smear"),
        ("title", 3),
    ],
)
def test_what_is_not_allowed_is_refused_with_what_is(key: str, value: object) -> None:
    with pytest.raises(ValueError, match="is not allowed here") as caught:
        RULES[key].take(value)
    assert RULES[key].allowed() in str(caught.value)


def test_a_rule_says_bounds_unit_and_auto() -> None:
    assert RULES["exposure_ev"].allowed() == 'a number from -6 to 6 EV, or "auto"'


def test_a_default_out_of_bounds_is_a_fault_of_the_declaration() -> None:
    with pytest.raises(ValueError, match="7"):
        number(7, "too much", low=0, high=1)


def test_a_settings_class_must_be_frozen_and_ruled() -> None:
    @dataclass
    class Loose:
        share: float = number(0, "share", low=0, high=1)

    @dataclass(frozen=True)
    class Bare:
        share: float = 0.0

    with pytest.raises(TypeError, match="frozen"):
        rules(Loose)
    with pytest.raises(TypeError, match="without a rule"):
        rules(Bare)
