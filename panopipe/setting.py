"""How a stage declares its settings: one frozen dataclass, one rule beside each field.

The declaration serves everything that must know a setting: the check of a recipe, its JSON Schema, the
table that `panopipe stages` prints and the docs. A setting holds a plain value; `AUTO` leaves the choice
to the stage. What two settings must not say together is refused in the dataclass's `__post_init__`, by a
`ValueError` that begins with the name of one of them and a colon.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import Any, Literal

Auto = Literal["auto"]
AUTO: Auto = "auto"

Kind = Literal["number", "whole", "switch", "choice", "text", "wholes", "picture"]
"""number: float; whole: int; wholes: a list of int; switch: true or false; choice: one of some words;
text: any words; picture: a picture file inside the job folder, which the run reads for the stage."""

_KINDS: dict[Kind, str] = {
    "number": "a number",
    "whole": "a whole number",
    "switch": "true or false",
    "choice": "one of",
    "text": "text in quotes",
    "wholes": "a list of whole numbers",
    "picture": "the name of a picture file in the job folder, in quotes",
}


@dataclass(frozen=True, slots=True)
class Rule:
    """What a setting may hold.

    Attributes
    ----------
    kind : Kind
        Type of the value.
    help : str
        One line for the photographer.
    unit : str
        Unit of a number, empty for a bare share or count.
    low, high : float or None
        Bounds, both included; for `wholes` they bound each item.
    choices : tuple of str
        The words of a `choice`.
    auto : bool
        Whether the word "auto" is a value too.
    formerly : str
        Name that the setting had in older recipes; a recipe that uses it is told the new one.
    """

    kind: Kind
    help: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()
    auto: bool = False
    formerly: str = ""

    def allowed(self) -> str:
        """Say in words what may stand here, for an error line or the docs."""
        if self.kind == "choice":
            words = ", ".join(f'"{word}"' for word in self.choices)
            return f"one of {words}"
        words = _KINDS[self.kind]
        if self.low is not None and self.high is not None:
            words += f" from {self.low:g} to {self.high:g}"
        elif self.low is not None:
            words += f", {self.low:g} or more"
        if self.unit:
            words += f" {self.unit}"
        return words + (', or "auto"' if self.auto else "")

    def take(self, value: object) -> Any:
        """Return `value` as the stage will see it.

        Raises
        ------
        ValueError
            If the value is not allowed; the message says what is.
        """
        if self.auto and value == AUTO:
            return AUTO
        if not self._fits(value):
            shown = f'"{value}"' if isinstance(value, str) else str(value).lower()
            raise ValueError(f"{shown} is not allowed here; {self.allowed()} is")
        if self.kind == "number":
            return float(value)  # type: ignore[arg-type]
        return tuple(value) if isinstance(value, list | tuple) else value

    def _fits(self, value: object) -> bool:
        match self.kind:
            case "number":
                return _is_number(value) and self._within(value)
            case "whole":
                return _is_whole(value) and self._within(value)
            case "switch":
                return isinstance(value, bool)
            case "choice":
                return value in self.choices
            case "text" | "picture":
                return isinstance(value, str)
            case "wholes":
                return isinstance(value, list | tuple) and all(
                    _is_whole(item) and self._within(item) for item in value
                )

    def _within(self, value: Any) -> bool:
        return (self.low is None or value >= self.low) and (self.high is None or value <= self.high)


def _is_whole(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _is_number(value: object) -> bool:
    return _is_whole(value) or (isinstance(value, float) and math.isfinite(value))


def _field(default: object, rule: Rule) -> Any:
    rule.take(default)
    return dataclasses.field(default=default, metadata={"rule": rule})


def number(
    default: float | Auto,
    help: str,
    *,
    low: float,
    high: float,
    unit: str = "",
    auto: bool = False,
    formerly: str = "",
) -> Any:
    """Declare a setting that holds a float within bounds."""
    value = default if default == AUTO else float(default)
    return _field(value, Rule("number", help, unit, low, high, auto=auto, formerly=formerly))


def whole(default: int | Auto, help: str, *, low: int, high: int, unit: str = "", auto: bool = False) -> Any:
    """Declare a setting that holds an int within bounds."""
    return _field(default, Rule("whole", help, unit, low, high, auto=auto))


def wholes(default: tuple[int, ...], help: str, *, low: int, high: int, unit: str = "") -> Any:
    """Declare a setting that holds a list of ints, each within bounds."""
    return _field(default, Rule("wholes", help, unit, low, high))


def switch(default: bool, help: str) -> Any:
    """Declare a setting that is true or false."""
    return _field(default, Rule("switch", help))


def choice(default: str, help: str, *, choices: tuple[str, ...]) -> Any:
    """Declare a setting that is one of some words."""
    return _field(default, Rule("choice", help, choices=choices))


def text(default: str, help: str) -> Any:
    """Declare a setting that holds free text."""
    return _field(default, Rule("text", help))


def picture(help: str) -> Any:
    """Declare a setting that names a picture file in the job folder; empty for none."""
    return _field("", Rule("picture", help))


def rules(settings: type) -> dict[str, Rule]:
    """Rule of each field of a settings dataclass, in order.

    Raises
    ------
    TypeError
        If `settings` is not a frozen dataclass or a field has no rule.
    """
    if not dataclasses.is_dataclass(settings) or not settings.__dataclass_params__.frozen:  # type: ignore[attr-defined]
        raise TypeError(f"{getattr(settings, '__name__', settings)!s} must be a frozen dataclass")
    by_name = {}
    for item in dataclasses.fields(settings):
        if "rule" not in item.metadata:
            raise TypeError(f"{settings.__name__}.{item.name} was declared without a rule")
        by_name[item.name] = item.metadata["rule"]
    return by_name
