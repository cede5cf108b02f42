"""What was most likely meant by an option that there is not: by its letters, or by its meaning."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from typer.core import TyperCommand, TyperGroup

MEANINGS: dict[str, tuple[str, ...]] = {
    "--workers": ("threads", "jobs", "parallel", "processes", "cores", "cpus"),
    "--plan": ("dry", "dry-run", "simulate", "preview", "what", "why", "explain", "estimate"),
    "--rehash": ("force", "redo", "all", "again", "verify", "fresh"),
    "--room": ("rooms", "folder", "only", "include"),
    "--frame": ("frames", "file", "image", "picture", "only"),
    "--width": ("size", "px", "pixels", "resolution", "scale"),
    "--json": ("machine", "output", "format", "script"),
    "--debug": ("verbose", "trace", "traceback", "log"),
    "--write": ("yes", "apply", "commit", "save", "do"),
    "--no-review": ("skip-review", "no-page", "quick"),
    "--no-browser": ("headless", "no-open", "quiet"),
    "--longest-min": ("timeout", "limit", "max-minutes"),
    "--changed": ("own", "diff", "set"),
    "--again": ("redo", "forward"),
    "--list": ("history", "log", "steps"),
    "--rooms": ("pattern", "name", "split"),
    "--stage": ("stages", "step", "only"),
    "--version": ("about",),
}
"""Words that people use for what an option does."""


def meant(wanted: str, options: list[str]) -> list[str]:
    """Options that mean what was asked for, of those that a command has."""
    word = wanted.lstrip("-").partition("=")[0].casefold()
    return [option for option in options if word in MEANINGS.get(option, ())]


class _Nearest:
    """A command that answers an option it does not have with those that mean the same."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Parse, and say what was most likely meant where an option is not known."""
        try:
            parsed: list[str] = super().parse_args(ctx, args)  # type: ignore[misc]
        except Exception as error:
            if (
                type(error).__name__ == "NoSuchOption"
            ):  # typer holds the class within itself, or has it of click
                _add_meant(error, self.get_params(ctx))  # type: ignore[attr-defined]
            raise
        return parsed


def _add_meant(error: Any, parameters: Iterable[Any]) -> None:
    options = [name for parameter in parameters for name in (*parameter.opts, *parameter.secondary_opts)]
    likely = meant(error.option_name, options) or list(error.possibilities or ())
    error.possibilities = likely or None


class NearestCommand(_Nearest, TyperCommand):
    """A command of the table."""


class NearestGroup(_Nearest, TyperGroup):
    """The program."""
