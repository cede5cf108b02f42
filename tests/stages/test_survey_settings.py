"""Settings that no survey looks at: changing them asks for no new look at a job's frames."""

from pathlib import Path

from panopipe.job import open_job
from panopipe.recipe import load_recipe
from panopipe.recipe.journal import set_values
from panopipe.run.plan import plan_frames, solved_fingerprint, survey_fingerprint
from panopipe.stages.nadir import Nadir, NadirSettings
from panopipe.stages.north import NorthSettings


def test_a_survey_is_handed_what_it_looks_at() -> None:
    given = NadirSettings(fill="picture", patch_picture="mark.png", margin_deg=3, camera_height_m=1.7)
    handed = Nadir().settings_for_survey(given)
    assert handed == NadirSettings(use_neighbours=False)


def test_only_what_a_survey_looks_at_asks_for_a_new_look(tmp_path: Path) -> None:
    path = tmp_path / "originals/hall/h1.dng"
    path.parent.mkdir(parents=True)
    path.write_bytes(b"")

    def looks() -> dict[str, str]:
        job = open_job(tmp_path)
        (planned,) = plan_frames(job, load_recipe(job)).values()
        return {name: survey_fingerprint("", name, given) for name, given in planned.surveys}

    before = looks()
    assert before.keys() == {"denoise", "tone", "balance", "nadir", "north"}
    for assignment in ("tone.shadows_ev=1", "denoise.grain_percent=50", "nadir.margin_deg=2"):
        set_values(open_job(tmp_path), "hall", [assignment])
    assert looks() == before
    set_values(open_job(tmp_path), "hall", ["nadir.use_neighbours=false", "balance.kelvin=3200"])
    after = looks()
    assert {name for name in after if after[name] != before[name]} == {"nadir", "balance"}


def test_what_only_the_solution_looks_at_asks_for_a_new_one_alone(tmp_path: Path) -> None:
    path = tmp_path / "originals/hall/h1.dng"
    path.parent.mkdir(parents=True)
    path.write_bytes(b"")

    def fingerprints(*assignments: str) -> tuple[str, str]:
        set_values(open_job(tmp_path), "hall", list(assignments))
        job = open_job(tmp_path)
        ((key, planned),) = plan_frames(job, load_recipe(job)).items()
        given = dict(planned.surveys)["balance"]
        look = survey_fingerprint("", "balance", given)
        return look, solved_fingerprint(job, "balance", [(key, look, given)], None)

    look, solution = fingerprints("balance.strength=0.5")
    again, other = fingerprints("balance.strength=0.9")
    assert again == look and other != solution
    assert fingerprints("balance.kelvin=3200")[0] != look
    assert survey_fingerprint("", "north", NorthSettings(facing="together")) == survey_fingerprint(
        "", "north", NorthSettings(camera_height_m=1.7)
    )
