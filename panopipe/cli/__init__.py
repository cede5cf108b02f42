"""The commands: parse, call, print. Each imports what it needs, so that `--help` is there at once."""

from panopipe.cli.program import app, main

__all__ = ["app", "main"]
