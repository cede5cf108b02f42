"""The folders are the architecture: who may import whom, kept true by reading the imports."""

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "panopipe"
BOTTOM = {"capture", "setting"}
PICTURES = {"sphere", "colour", "files"}
STUDIES = {"floor", "white", "clipped", "light"}

MAY_IMPORT = {
    "capture": set(),
    "setting": set(),
    "sphere": {"pixels"},
    "colour": set(),
    "pixels": {"colour"},
    "frame": BOTTOM,
    "files": BOTTOM | {"colour", "pixels"},
    "stage": BOTTOM | {"frame"},
    "floor": BOTTOM | {"frame", "sphere", "colour", "pixels"},
    "white": BOTTOM | {"frame", "sphere", "colour", "pixels"},
    "clipped": BOTTOM | {"sphere", "colour", "pixels"},
    "light": BOTTOM | {"frame", "sphere", "colour", "pixels"},
    "stages": BOTTOM | {"frame", "stage", "sphere", "colour", "pixels"} | STUDIES,
    "job": BOTTOM | {"frame", "files", "stage"},
    "recipe": BOTTOM | {"frame", "files", "stage", "job"},
    "run": BOTTOM | {"job", "recipe", "stage", "frame", "files", "sphere", "colour", "pixels"},
    "review": BOTTOM | PICTURES | {"run", "job", "recipe", "stage", "frame", "white"},
    "cli": BOTTOM | {"job", "recipe", "stage", "frame", "run", "review", "files", "pixels"},
}
"""Room by room, as DEVELOPERS.md explains them. Only the two ends of the stages touch files."""

FILES_TOO = {"stages/decode.py", "stages/export.py"}


def room_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported_modules(path: Path) -> set[str]:
    """Modules of panopipe that a file imports, wherever in the file, as `room` or `room.module`."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            inside = node.module == "panopipe"
            found |= {f"panopipe.{alias.name}" for alias in node.names} if inside else {node.module}
    return {name.removeprefix("panopipe.") for name in found if name.startswith("panopipe.")}


SOURCES = [path for path in sorted(PACKAGE.rglob("*.py")) if path.name not in ("__init__.py", "__main__.py")]


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_a_file_imports_only_what_its_room_may(path: Path) -> None:
    room = room_of(path)
    allowed = MAY_IMPORT[room] | {room}
    if path.relative_to(PACKAGE).as_posix() in FILES_TOO:
        allowed = allowed | {"files"}
    wrong = {
        name
        for name in imported_modules(path) - {"__version__"}
        if name.split(".")[0] not in allowed or (room == "stages" and name.startswith("stages."))
    }
    assert not wrong, f"{room} may import {sorted(allowed)}"
