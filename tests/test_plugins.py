"""An installed package adds a stage by entry point, and a broken one is named."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from panopipe.registry import contract_faults
from panopipe.stage import RowStage

EXAMPLE = Path(__file__).parent / "example_plugin"


def python(site: Path, code: str) -> subprocess.CompletedProcess[str]:
    environment = os.environ | {"PYTHONPATH": os.pathsep.join([str(site), str(EXAMPLE.parents[1])])}
    return subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=False
    )


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The example plugin, really installed by pip into a folder of its own."""
    folder = tmp_path_factory.mktemp("site")
    source = tmp_path_factory.mktemp("source")
    for name in ("pyproject.toml", "panopipe_monochrome.py"):
        (source / name).write_bytes((EXAMPLE / name).read_bytes())
    quiet = ["--quiet", "--no-deps", "--no-build-isolation", "--disable-pip-version-check", "--no-index"]
    subprocess.run(
        [sys.executable, "-m", "pip", "install", *quiet, "--target", str(folder), str(source)],
        check=True,
        capture_output=True,
    )
    return folder


def fake_package(folder: Path, entry: str, body: str = "") -> Path:
    """What an installer leaves of a package with one stage."""
    facts = folder / "panopipe_broken-2.1.dist-info"
    facts.mkdir(parents=True)
    (facts / "METADATA").write_text("Metadata-Version: 2.1\nName: panopipe-broken\nVersion: 2.1\n")
    (facts / "entry_points.txt").write_text(f"[panopipe.stages]\n{entry}\n")
    (folder / "panopipe_broken.py").write_text(body)
    return folder


def test_the_example_is_found_and_loaded(site: Path) -> None:
    said = python(
        site,
        "from panopipe.registry import known_stages, loaded_stage; "
        "print(loaded_stage(known_stages()[-1]).summary)",
    )
    assert said.stdout.strip() == "takes the colour out of a frame", said.stderr


def test_knowing_the_names_loads_no_plugin(site: Path) -> None:
    said = python(
        site, "import sys; from panopipe.registry import known_stages; known_stages(); print(*sys.modules)"
    )
    assert said.stdout
    assert "panopipe_monochrome" not in said.stdout.split()


SOUND = {
    "name": "'broken'",
    "version": "1",
    "summary": "'darkens'",
    "Settings": "Settings",
    "prepare": "lambda self, context, settings: Prepared()",
    "apply": "lambda self, band, settings, prepared: band.rows",
}


def stage_class(**changes: str | None) -> str:
    """Source of a stage that keeps the contract but for what is changed, or left out where None."""
    lines = {**SOUND, **changes}
    body = "\n".join(f"    {name} = {value}" for name, value in lines.items() if value is not None)
    return (
        "from dataclasses import dataclass\nfrom panopipe.stage import Prepared, RowStage\n"
        f"@dataclass(frozen=True)\nclass Settings:\n    pass\nclass Broken(RowStage):\n{body}\n"
    )


FAULTY = {
    "it does not import": ("raise RuntimeError('no licence')", "does not load (no licence)"),
    "it is no stage": ("class Broken: pass", "is no class derived from RowStage"),
    "it has another name": (
        stage_class(name="'other'"),
        "calls itself 'other' (Broken.name); expected 'broken'",
    ),
    "its version is text": (
        stage_class(version="'1.0'"),
        "has Broken.version '1.0'; expected a whole number",
    ),
    "it says nothing of itself": (stage_class(summary=None), "has Broken.summary None; expected one line"),
    "it has no settings": (stage_class(Settings=None), "declares no Broken.Settings"),
    "its settings have no rules": (
        stage_class(Settings="dict"),
        "has Broken.Settings that break the contract",
    ),
    "it cannot be applied": (stage_class(apply=None), "lacks Broken.apply(self, band, settings, prepared)"),
    "prepare takes too little": (
        stage_class(prepare="lambda self, context: Prepared()"),
        "has Broken.prepare(self, context); expected prepare(self, context, settings)",
    ),
    "it surveys for nobody": (
        stage_class(survey="lambda self, frame, settings: 1"),
        "has Broken.survey without solve; expected both or neither",
    ),
    "it solves what nobody saw": (
        stage_class(solve="lambda self, observed, job: {}"),
        "has Broken.solve without survey; expected both or neither",
    ),
    "a method is a number": (stage_class(apply="3"), "has Broken.apply = 3; expected apply(self, band"),
    "its survey looks at a setting that is not there": (
        stage_class(survey_settings="('mood',)"),
        "has Broken.survey_settings ('mood',); expected a tuple of its settings' names",
    ),
    "it solves with a setting that is not there": (
        stage_class(solve_settings="('mood',)"),
        "has Broken.solve_settings ('mood',); expected a tuple of its settings' names",
    ),
    "its notes are words": (stage_class(notes="('gain',)"), "has Broken.notes that are no mapping"),
}


@pytest.mark.parametrize("name", FAULTY)
def test_a_faulty_plugin_is_refused_in_one_line(tmp_path: Path, name: str) -> None:
    body, fault = FAULTY[name]
    folder = fake_package(tmp_path, "broken = panopipe_broken:Broken", body)
    said = python(
        folder,
        "from panopipe.registry import loaded_stage\n"
        "try: loaded_stage('broken')\nexcept ImportError as error: print(error)",
    )
    (line,) = said.stdout.splitlines()
    assert line.startswith("stage broken of panopipe-broken 2.1 "), said.stderr
    assert fault in line


def test_the_stage_that_all_faults_start_from_is_sound(tmp_path: Path) -> None:
    folder = fake_package(tmp_path, "broken = panopipe_broken:Broken", stage_class())
    said = python(folder, "from panopipe.registry import loaded_stage; print(loaded_stage('broken').summary)")
    assert said.stdout.strip() == "darkens", said.stderr


def test_a_plugin_cannot_take_a_built_in_name(tmp_path: Path) -> None:
    folder = fake_package(tmp_path, "tone = panopipe_broken:Broken")
    said = python(folder, "from panopipe.registry import known_stages; print(known_stages().count('tone'))")
    assert said.stdout.strip() == "1"
    assert "the name is taken" in said.stderr


@pytest.mark.parametrize(
    "held", [{"Settings": None}, {"Settings": 3}, {"apply": type}, {"survey": 1, "apply": dict}]
)
def test_a_class_of_odd_parts_has_faults_and_raises_nothing(held: dict[str, object]) -> None:
    """Found by fuzzing: such a class stopped the command with a fault of panopipe's own."""
    assert all(isinstance(fault, str) for fault in contract_faults("odd", type("Odd", (RowStage,), held)))
