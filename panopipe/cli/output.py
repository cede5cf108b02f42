"""Where results go: JSON on the standard output, and what a command tells on the way."""

from __future__ import annotations

import json as json_
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from panopipe.cli.screen import Screen


def screen_for(json: bool) -> Screen:
    """Where to tell how it goes; beside the result where that is JSON."""
    from panopipe.cli.screen import Screen

    return Screen(sys.stderr if json else sys.stdout)


def print_json(value: object) -> None:
    """Print a result for scripts."""
    print(json_.dumps(value, ensure_ascii=False, indent=2, default=list))
