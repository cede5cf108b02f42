"""The folders are the architecture: who may import whom, kept true by reading the imports."""

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "panopipe"
GROUND = {"frame", "sphere", "colour", "pixels"}

MAY_IMPORT = {
    "errors": set(),
    "capture": set(),
    "setting": set(),
    "colour": set(),
    "pixels": {"colour"},
    "sphere": {"pixels"},
    "frame": {"capture"},
    "files": {"capture", "colour", "pixels"},
    "stage": {"capture", "frame"},
    "registry": {"setting", "stage"},
    "studies": GROUND | {"capture"},
    "exposures": {"capture", "colour", "errors", "files", "frame", "sphere", "stage", "studies"},
    "stages": GROUND | {"capture", "exposures", "setting", "stage", "studies"},
    "pipeline": {"errors", "frame", "setting", "sphere", "stage"},
    "testing": {"frame", "pipeline", "sphere", "stage"},
    "job": {"errors", "files", "frame", "registry", "stage"},
    "recipe": {"errors", "files", "frame", "job", "registry", "setting", "stage"},
    "pool": {"errors", "frame"},
    "state": {"capture", "files", "frame", "job", "stage"},
    "run": GROUND - {"sphere", "colour"}
    | {"capture", "errors", "files", "job", "pipeline", "pool", "recipe", "registry", "stage", "state"},
    "cluster": {"errors", "files", "frame", "job", "pixels", "pool", "registry", "run", "state"},
    "tune": {
        "errors",
        "frame",
        "job",
        "pipeline",
        "recipe",
        "registry",
        "review",
        "run",
        "setting",
        "sphere",
        "stage",
        "state",
    },
    "review": {
        "colour",
        "errors",
        "files",
        "frame",
        "job",
        "registry",
        "setting",
        "sphere",
        "stage",
        "state",
    },
    "delivery": {"errors", "files", "frame", "job", "registry", "review", "stage", "state"},
    "cli": {
        "cluster",
        "delivery",
        "errors",
        "frame",
        "job",
        "pixels",
        "recipe",
        "review",
        "run",
        "state",
        "tune",
    },
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
    wrong = {name for name in imported_modules(path) - {"__version__"} if name.split(".")[0] not in allowed}
    assert not wrong, f"{room} may import {sorted(allowed)}"


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_stages_and_studies_know_no_other_of_their_kind(path: Path) -> None:
    own = ".".join(path.relative_to(PACKAGE).parts[:2])
    kinds = {"stages": ("stages.",), "studies": ("studies.",)}.get(room_of(path), ())
    assert not {n for n in imported_modules(path) if n.startswith(kinds or ("-",)) and not n.startswith(own)}


def test_every_allowance_is_used() -> None:
    used: dict[str, set[str]] = {room: set() for room in MAY_IMPORT}
    for path in SOURCES:
        used[room_of(path)] |= {name.split(".")[0] for name in imported_modules(path) - {"__version__"}}
    ends = {"files"} if FILES_TOO else set()
    assert {r: used[r] - {r} - (ends if r == "stages" else set()) for r in used} == MAY_IMPORT
