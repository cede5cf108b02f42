"""An installed package adds a stage by entry point, and a broken one is named."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

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
        site, "from panopipe.stage import known_stages, stage; print(stage(known_stages()[-1]).summary)"
    )
    assert said.stdout.strip() == "takes the colour out of a frame", said.stderr


def test_knowing_the_names_loads_no_plugin(site: Path) -> None:
    said = python(
        site, "import sys; from panopipe.stage import known_stages; known_stages(); print(*sys.modules)"
    )
    assert said.stdout
    assert "panopipe_monochrome" not in said.stdout.split()


@pytest.mark.parametrize(
    ("body", "fault"),
    [
        ("raise RuntimeError('no licence')", "does not load (no licence)"),
        ("class Broken: pass", "is no class derived from"),
        (
            "from panopipe.stage import RowStage\nclass Broken(RowStage):\n"
            " name='broken'; version=1; summary=''",
            "declares no Settings",
        ),
        (
            "from panopipe.stage import RowStage\nclass Broken(RowStage):\n"
            " name='broken'; version=1; summary=''\n class Settings: pass",
            "breaks the contract",
        ),
    ],
)
def test_a_broken_package_is_named_with_its_version(tmp_path: Path, body: str, fault: str) -> None:
    folder = fake_package(tmp_path, "broken = panopipe_broken:Broken", body)
    said = python(
        folder,
        "from panopipe.stage import stage\ntry: stage('broken')\nexcept ImportError as error: print(error)",
    )
    assert "panopipe-broken 2.1" in said.stdout, said.stderr
    assert fault in said.stdout


def test_a_plugin_cannot_take_a_built_in_name(tmp_path: Path) -> None:
    folder = fake_package(tmp_path, "tone = panopipe_broken:Broken")
    said = python(folder, "from panopipe.stage import known_stages; print(known_stages().count('tone'))")
    assert said.stdout.strip() == "1"
    assert "the name is taken" in said.stderr
