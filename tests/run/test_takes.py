"""Takes of one stand through check, run, page and the preference of a person."""

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from panopipe.errors import JobError
from panopipe.frame import FrameKey
from panopipe.job import open_job
from panopipe.recipe import load_recipe
from panopipe.recipe.journal import put_again, take_back
from panopipe.recipe.prefer import leave_choice, prefer
from panopipe.review.make import make_review
from panopipe.run.grouping import recognised
from panopipe.run.job_run import run_job
from panopipe.run.remarks import group_lines, lines_of_takes, set_aside
from panopipe.run.session import Summary
from panopipe.state.ledger import read_records
from panopipe.state.run_log import SilentReporter
from tests.makers.camera import DAYLIGHT, shoot
from tests.makers.dng import Shot
from tests.makers.takes import MadePlace, made_place

DECK, POND = FrameKey("deck", "deck-01"), FrameKey("deck", "pond")
REC709_FROM_2020 = np.array(
    [(1.6605, -0.5876, -0.0728), (-0.1246, 1.1329, -0.0083), (-0.0182, -0.1006, 1.1187)]
)
"""ITU-R BT.2087-0, table 2 inverted; four digits are plenty for light that is made up."""


def textured(seed: int) -> np.ndarray:
    random = np.random.default_rng(seed)
    blocks = [
        np.kron(random.uniform(0.3, 1, (256 // n, 512 // n, 3)), np.ones((n, n, 1))) for n in (4, 16, 64)
    ]
    return (0.5 * np.prod(blocks, axis=0)).astype(np.float32)


def shoot_takes(folder: Path, place: MadePlace) -> None:
    for number, rows in enumerate(place.takes):
        shot = Shot(taken=f"2026:11:24 16:{10 + 4 * number}:00")
        light = rows @ REC709_FROM_2020.T
        path = folder / f"deck-{number + 1:02d}.dng"
        shoot(path, light, saturation=1.0, baseline_ev=1, seed=number, shot=shot, white=DAYLIGHT)


@pytest.fixture(scope="module")
def place() -> MadePlace:
    return made_place(textured(1), "flare", 3, outdoors=False)


@pytest.fixture(scope="module")
def finished(place: MadePlace, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A job that was run once: a deck in three takes, and another stand of the room."""
    job = tmp_path_factory.mktemp("takes")
    shoot_takes(job / "originals" / "deck", place)
    shot = Shot(taken="2026:11:24 16:30:00")
    path = job / "originals" / "deck" / "pond.dng"
    shoot(path, textured(2), saturation=1.0, baseline_ev=1, seed=9, shot=shot, white=DAYLIGHT)
    (job / "recipe.toml").write_text('[pipeline]\norder = ["decode", "export"]\n')
    run(job)
    return job


@pytest.fixture
def job(finished: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(finished, tmp_path / "job"))


def run(job: Path) -> Summary:
    opened = open_job(job)
    return run_job(opened, load_recipe(opened))


def of_deck(job: Path) -> str:
    return read_records(job)[0].originals[0]


def test_one_take_is_finished_and_the_others_are_kept_and_listed(job: Path, place: MadePlace) -> None:
    takes = [f"originals/deck/deck-0{number}.dng" for number in (1, 2, 3)]
    record = read_records(job)[0]
    assert [str(key) for key in open_job(job).frames] == ["deck/deck-01", "deck/pond"]
    assert record.key == DECK
    assert record.originals[0] != takes[place.faulty]
    assert set(record.set_aside) == set(takes) - set(record.originals)
    assert set_aside(job) == record.set_aside
    assert lines_of_takes(job) == [f"{path}: a take that is set aside" for path in record.set_aside]
    assert all((job / path).exists() for path in takes)
    assert sorted(path.name for path in (job / "finished/deck").iterdir()) == ["deck-01.jpg", "pond.jpg"]


def test_a_check_says_which_and_why(job: Path, place: MadePlace) -> None:
    shutil.rmtree(job / ".panopipe")
    opened = open_job(job)
    assert not opened.groups
    (line,) = group_lines(recognised(opened, load_recipe(opened), SilentReporter(), keeps=False))
    assert line.startswith("deck/deck-01: 3 takes of one stand: deck-0")
    assert f"deck-0{place.faulty + 1} has a flare spot of" in line
    assert "; set aside: deck-0" in line


def test_another_run_does_nothing_again(job: Path) -> None:
    assert run(job).already == [DECK, POND]


def test_a_preference_wins_stays_and_can_be_taken_back(job: Path, place: MadePlace) -> None:
    (job / "job.toml").write_text("# of the shoot\n[rooms]\nterrace = []  # none yet\n")
    found, wanted = of_deck(job), f"deck-0{place.faulty + 1}"
    assert prefer(open_job(job), wanted) == DECK
    assert run(job).finished == [DECK]
    assert of_deck(job) == f"originals/deck/{wanted}.dng"
    assert run(job).already == [DECK, POND]
    text = (job / "job.toml").read_text()
    assert f'prefer = ["deck/{wanted}"]' in text
    assert "# of the shoot" in text
    assert "# none yet" in text
    assert leave_choice(open_job(job), "deck-02") == DECK
    assert "prefer" not in (job / "job.toml").read_text()
    assert run(job).finished == [DECK]
    assert of_deck(job) == found


def test_a_preference_is_a_step_that_undo_takes_back(job: Path, place: MadePlace) -> None:
    (job / "job.toml").write_bytes(b"# of the shoot\r\n")
    wanted = f"deck/deck-0{place.faulty + 1}"
    prefer(open_job(job), wanted)
    preferred = (job / "job.toml").read_bytes()
    back = take_back(open_job(job))
    assert back.said == f"prefer {wanted}"
    assert back.changes[0].lines == (f'- prefer = ["{wanted}"]',)
    assert (job / "job.toml").read_bytes() == b"# of the shoot\r\n"
    put_again(open_job(job))
    assert (job / "job.toml").read_bytes() == preferred


def test_only_takes_can_be_preferred(job: Path) -> None:
    with pytest.raises(ValueError, match="deck/pond is not known as one of several takes"):
        prefer(open_job(job), "pond")
    with pytest.raises(ValueError, match=r"no take deck-9 in this job"):
        prefer(open_job(job), "deck-9")


def test_the_job_file_keeps_takes_apart(job: Path) -> None:
    (job / "job.toml").write_text('separate = ["deck/*"]\n')
    assert len(open_job(job).frames) == 4


def test_the_job_file_puts_takes_together(job: Path, place: MadePlace) -> None:
    others = [f"deck-0{number + 1}" for number in range(3) if number != place.faulty]
    (job / "job.toml").write_text(f'[takes]\n"deck/{others[0]}" = ["{others[1]}"]\n')
    run(job)
    group = next(group for group in open_job(job).groups if group.by_hand)
    assert group.files == tuple(f"originals/deck/{name}.dng" for name in others)
    assert len(group.takes) == 2


@pytest.mark.parametrize(
    ("table", "line"),
    [
        ('prefer = "deck-01"\n', "must be a list of takes"),
        ('prefer = ["deck/deck-09"]\n', 'no frame is named "deck/deck-09"'),
        (
            '[takes]\n"deck-01" = ["deck-02"]\n[exposures]\n"deck-03" = ["deck-02"]\n',
            "deck/deck-02 is already an exposure of deck-03",
        ),
    ],
)
def test_faults_of_the_job_file_are_told(job: Path, table: str, line: str) -> None:
    (job / "job.toml").write_text(table)
    with pytest.raises(JobError, match=line):
        open_job(job)


def test_the_page_shows_takes_side_by_side(job: Path, place: MadePlace) -> None:
    make_review(job)
    script = (job / "review/page/data.js").read_text()
    data = json.loads(script.removeprefix("panopipe.data(").removesuffix(");\n"))
    deck, pond = data["frames"]
    assert pond["takes"] == []
    assert [take["name"] for take in deck["takes"]] == ["deck-01", "deck-02", "deck-03"]
    worst = deck["takes"][place.faulty]
    assert worst["faults"][0].startswith("flare spot: ")
    assert worst["command"] == ["panopipe", "prefer", "JOB", f"deck/deck-0{place.faulty + 1}"]
    assert [take["command"] for take in deck["takes"] if take["chosen"]] == [[]]
    for take in deck["takes"]:
        assert (job / "review" / take["picture"]).read_bytes().startswith(b"\xff\xd8")


def test_a_damaged_memory_of_takes_is_found_anew(job: Path) -> None:
    kept = job / ".panopipe/groups.json"
    told = json.loads(kept.read_text())
    told["rooms"]["deck"]["groups"][0]["chosen"] = "originals/deck/pond.dng"
    kept.write_text(json.dumps(told))
    assert run(job).already == [DECK, POND]
