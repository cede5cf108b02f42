"""A sitting: its pictures are those that a proof makes, whatever was tried before."""

import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from panopipe.frame import FrameKey
from panopipe.job import open_job
from panopipe.pipeline.held import Superseded
from panopipe.pool.dispatch import Inline
from panopipe.recipe import load_recipe
from panopipe.recipe.journal import set_values
from panopipe.registry import loaded_stage
from panopipe.run.job_run import Options, proof_job, run_job
from panopipe.setting import rules
from panopipe.state.lock import JobLock, run_at_work
from panopipe.tune.controls import GESTURES, controls, step_of, values
from panopipe.tune.draft import tried
from panopipe.tune.latest import LatestRequests
from panopipe.tune.session import Asked, Session

INLINE = Options(executor=lambda *_: Inline())


def proof(folder: Path, key: FrameKey) -> bytes:
    job = open_job(folder)
    proof_job(job, load_recipe(job), INLINE, width=512)
    return (folder / f"proofs/{key}.jpg").read_bytes()


def picture(session: Session, number: int, draft: dict[str, object], count: list[int] = [0]) -> bytes:  # noqa: B006
    """The exact picture, after the one that comes at once."""
    count[0] += 2
    session.picture(number, draft, Asked("page", count[0] - 1), quick=True)
    answer = session.picture(number, draft, Asked("page", count[0]))
    assert answer.told["exact"]
    return bytes(answer.output.data)


def test_what_was_solved_for_other_light_is_called_a_draft(folder: Path, sit: Callable[..., Session]) -> None:
    session, draft = sit(folder), {"decode.white": "fixed"}
    picture(session, 0, {})
    assert not session.picture(0, draft, Asked("page", 98), quick=True).told["exact"]
    exact = session.picture(0, draft, Asked("page", 99))
    assert exact.told["exact"]
    again = session.picture(0, draft, Asked("page", 100), quick=True)
    assert again.told["exact"]
    assert again.output.data == exact.output.data


DRAFTS = [
    {"tone.exposure_ev": 0.7},
    {"monochrome.share": 1.0},
    {"balance.kelvin": 3000},
    {"balance.neutral_yaw_deg": 20.0, "balance.neutral_pitch_deg": 5.0},
    {"nadir.foot_radius_m": 0.3, "nadir.use_neighbours": False},
    {"nadir.use": False},
    {"level.tilt_deg": 2.0, "level.toward_yaw_deg": 30.0},
    {"decode.white": "fixed"},
    {"export.quality": 60, "tone.shadows_ev": 1.0},
]


def test_what_is_shown_is_what_a_proof_makes_once_it_is_kept(
    folder: Path, sit: Callable[..., Session]
) -> None:
    session = sit(folder)
    key = session.key(0)
    assert picture(session, 0, {}) == proof(folder, key)
    shown = [picture(session, 0, draft) for draft in DRAFTS]
    assert len(set(shown)) == len(DRAFTS)
    for draft, data in zip(DRAFTS, shown, strict=True):
        session.keep(0, draft, "frame", write=True)
        assert data == proof(folder, key), draft
        assert picture(session, 0, {}) == data
        session.undo()
    assert picture(session, 0, {}) == shown_before(folder, key)


def shown_before(folder: Path, key: FrameKey) -> bytes:
    assert not (folder / "overrides").exists() or not list((folder / "overrides").rglob("*.toml"))
    return proof(folder, key)


def test_a_piece_and_the_whole_at_full_size_are_as_the_finished_frame(
    folder: Path, sit: Callable[..., Session]
) -> None:
    """The frames are 512 wide, so that the piece is the whole of one: file and piece hold the same codes."""
    import cv2  # noqa: PLC0415
    import numpy as np  # noqa: PLC0415

    from panopipe.tune.loupe import Spot  # noqa: PLC0415

    session = sit(folder)
    job = open_job(folder)
    run_job(job, load_recipe(job), INLINE)
    file = (folder / "finished/hall/hall-01.jpg").read_bytes()
    for data in (
        session.piece(0, {}, Spot(0.0, 0.0), Asked("page", 1)).output.data,
        session.fine(0, {}, Asked("page", 2)).output.data,
        session.piece(0, {}, Spot(0.0, -60.0), Asked("page", 3)).output.data,  # from what the whole prepared
    ):
        cut, whole = (cv2.imdecode(np.frombuffer(one, np.uint8), cv2.IMREAD_COLOR) for one in (data, file))
        assert cut.shape == whole.shape
        assert np.abs(cut.astype(int) - whole).mean() < 1.5  # dither lies elsewhere, and JPEG rounds it


def test_once_worked_on_at_full_size_a_small_picture_is_the_finished_file_reduced(
    folder: Path, sit: Callable[..., Session], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The bars of the page: 1.5 codes in the mean, 8 for the 99th percentile."""
    import cv2  # noqa: PLC0415
    import numpy as np  # noqa: PLC0415

    from panopipe.colour.transfer import srgb_decode, srgb_encode  # noqa: PLC0415
    from panopipe.pipeline.engine import reduce_rows  # noqa: PLC0415
    from panopipe.tune import session as module  # noqa: PLC0415

    monkeypatch.setattr(module, "WIDTH", 256)
    session = sit(folder)
    off = {}
    for number, draft in enumerate([{}, {"export.quality": 95}, {"monochrome.share": 0.3}]):
        first = session.picture(0, draft, Asked("page", 10 * number), quick=True).output.data
        whole = session.fine(0, draft, Asked("page", 10 * number + 1)).output.data
        then = session.picture(0, draft, Asked("page", 10 * number + 2)).output.data
        first, whole, then = (
            cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR) for data in (first, whole, then)
        )
        light = srgb_decode(whole.astype(np.float64) / 255).astype(np.float32)
        reduced = 255 * srgb_encode(reduce_rows(light, 256))
        off[number] = [np.abs(one - reduced) for one in (first, then)]
        assert off[number][1].mean() < 1.5
        assert np.percentile(off[number][1], 99) < 8
    assert off[0][1].mean() < 0.7 * off[0][0].mean()
    assert np.percentile(off[1][0], 99) < 8  # at once: what was worked on before serves
    session.close()


def test_the_whole_at_full_size_gives_way_to_a_change(folder: Path, sit: Callable[..., Session]) -> None:
    session = sit(folder)
    session.picture(0, {}, Asked("page", 2))
    with pytest.raises(Superseded):
        session.fine(0, {}, Asked("page", 1))
    session.fine(0, {}, Asked("another", 1))


def test_looking_writes_nothing_but_what_a_proof_keeps(folder: Path, sit: Callable[..., Session]) -> None:
    session = sit(folder)
    picture(session, 0, {"tone.exposure_ev": 1.0})
    session.keep(0, {"tone.exposure_ev": 1.0}, "job", write=False)
    session.carried_picture(2, "hall/hall-01", [], Asked("page", 1), after=False)
    made = {path.relative_to(folder).parts[0] for path in folder.rglob("*") if path.is_file()}
    assert made <= {"originals", "recipe.toml", ".panopipe", "logs"}
    assert "exposure" not in (folder / "recipe.toml").read_text()


def test_a_running_night_is_waited_for_and_said(folder: Path) -> None:
    session = Session(folder, "", INLINE)
    (folder / ".panopipe").mkdir()
    with JobLock(folder):
        assert "process" in session.state()["run"]
        looking = threading.Thread(target=session.look, daemon=True)
        looking.start()
        until = time.monotonic() + 20
        while "Waiting" not in session.state()["said"] and time.monotonic() < until:
            time.sleep(0.02)
        assert not session.state()["ready"]
        with pytest.raises(ValueError, match="another run works on this job"):
            session.picture(0, {}, Asked("page", 1))
    looking.join(60)
    assert session.state()["ready"]
    assert session.state()["run"] == ""


def test_a_lock_that_a_killed_run_left_counts_for_nothing(tmp_path: Path) -> None:
    (tmp_path / ".panopipe").mkdir()
    (tmp_path / ".panopipe/lock").write_text('{"pid": 1, "user": "u", "host": "h", "since": "then"}')
    assert run_at_work(tmp_path) == ""
    with JobLock(tmp_path):
        assert run_at_work(tmp_path)


def test_settings_that_another_wrote_are_taken_anew(folder: Path, sit: Callable[..., Session]) -> None:
    session = sit(folder)
    before, stamp = picture(session, 0, {}), session.state()["stamp"]
    set_values(open_job(folder), "hall", ["tone.exposure_ev=1.5"])
    assert session.state()["stamp"] != stamp
    assert picture(session, 0, {}) != before
    (folder / "overrides/hall.toml").write_text("[tone]\nexposure_ev = bright\n")
    assert "overrides/hall.toml:2" in session.state()["fault"]


def test_carrying_shows_the_other_room_before_anything_is_written(
    folder: Path, sit: Callable[..., Session]
) -> None:
    session = sit(folder)
    session.keep(0, {"monochrome.share": 1.0}, "room", write=True)
    as_is, carried = (
        session.carried_picture(2, "hall", ["monochrome"], Asked("page", number), after=bool(number))
        for number in (0, 1)
    )
    assert bytes(as_is.output.data) != bytes(carried.output.data)
    assert not (folder / "overrides/lounge.toml").exists()
    session.carry("hall", ["lounge"], ["monochrome"], write=True)
    assert (folder / "overrides/lounge.toml").read_text() == (folder / "overrides/hall.toml").read_text()
    after = session.carried_picture(2, "hall", ["monochrome"], Asked("page", 2), after=False)
    assert bytes(after.output.data) == bytes(carried.output.data)


def test_of_what_a_page_asks_for_only_the_newest_is_made() -> None:
    turns, order = LatestRequests(), []
    begun, go = threading.Event(), threading.Event()

    def ask(number: int) -> None:
        try:
            with turns.turn("page", number) as is_wanted:
                begun.set()
                go.wait(20)
                order.append((number, is_wanted()))
        except Superseded:
            order.append((number, None))

    threads = [threading.Thread(target=ask, args=(number,)) for number in (1, 2, 3)]
    threads[0].start()
    begun.wait(20)
    for thread in threads[1:]:
        thread.start()
        time.sleep(0.05)
    go.set()
    for thread in threads:
        thread.join(20)
    assert sorted(order) == [(1, False), (2, None), (3, True)]


def test_each_setting_has_its_control_as_declared(folder: Path) -> None:
    settings = load_recipe(open_job(folder)).settings(FrameKey("hall", "hall-01"))
    made = {stage["name"]: stage["settings"] for stage in controls(settings)}
    assert list(made) == ["decode", "tone", "monochrome", "balance", "nadir", "level", "export"]
    for name, rows in made.items():
        declared = rules(loaded_stage(name).Settings)
        assert [row["key"] for row in rows if row["key"] != "use"] == list(declared)
        for row in rows:
            if row["key"] != "use":
                rule = declared[row["key"]]
                assert (row["unit"], row["low"], row["high"]) == (rule.unit, rule.low, rule.high)
    assert values(FrameKey("hall", "hall-01"), settings)["monochrome.share"] == {
        "value": 0.0,
        "origin": "recipe.toml:6",
        "level": "job",
    }


def test_gestures_move_settings_that_stages_declare() -> None:
    for gesture in GESTURES:
        for name in gesture.settings:
            stage, _, key = name.partition(".")
            assert key in rules(loaded_stage(stage).Settings)


@pytest.mark.parametrize(
    ("reach", "step"), [(20, 0.1), (100, 0.5), (18500, 100), (0.1, 0.0005), (360, 2), (15, 0.1)]
)
def test_a_slider_moves_in_round_steps(reach: float, step: float) -> None:
    assert step_of(reach) == step


def test_a_draft_that_no_stage_takes_is_told_and_costs_nothing(
    folder: Path, sit: Callable[..., Session]
) -> None:
    session = sit(folder)
    before = picture(session, 0, {})
    with pytest.raises(ValueError, match="not allowed"):
        picture(session, 0, {"tone.exposure_ev": 1000})
    assert picture(session, 0, {}) == before
    assert tried(session.job, load_recipe(session.job), session.key(0), {}).stages
