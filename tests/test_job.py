"""A job folder as a photographer leaves it: rooms, frames, names of all kinds, a job file with faults."""

import os
from pathlib import Path

import pytest

from panopipe.errors import JobError
from panopipe.frame import FrameKey
from panopipe.job import natural, open_job
from panopipe.recipe import load_recipe
from panopipe.stage import LinkByHand
from tests.makers.closed import closed


def put(folder: Path, *names: str) -> Path:
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"")
    return folder


def keys(folder: Path) -> list[str]:
    return [str(key) for key in open_job(folder).frames]


def test_rooms_are_folders_and_names_sort_as_a_person_counts(tmp_path: Path) -> None:
    put(tmp_path, "originals/lounge/l10.dng", "originals/lounge/l2.dng", "originals/Hall/h1.DNG")
    job = open_job(tmp_path)
    assert [str(key) for key in job.frames] == ["Hall/h1", "lounge/l2", "lounge/l10"]
    assert job.rooms == {
        "Hall": (FrameKey("Hall", "h1"),),
        "lounge": (FrameKey("lounge", "l2"), FrameKey("lounge", "l10")),
    }


@pytest.mark.parametrize(
    ("names", "found"),
    [
        (["b.dng", "a.dng"], ["a", "b"]),
        (["lounge/a.dng", "hall/a.dng"], ["hall/a", "lounge/a"]),
        (["a.tif", "b.png"], ["a", "b"]),
        (["a.dng", "finished/a.jpg", "proofs/a.jpg", "review/a.png", "overrides/a.dng"], ["a"]),
    ],
)
def test_a_folder_of_frames_runs_as_it_is(tmp_path: Path, names: list[str], found: list[str]) -> None:
    assert keys(put(tmp_path, *names)) == found


def test_of_two_files_of_one_name_the_dng_is_the_frame(tmp_path: Path) -> None:
    put(
        tmp_path,
        "originals/a.jpg",
        "originals/a.dng",
        "originals/b.jpeg",
        "originals/b.tiff",
        "originals/c.jpg",
    )
    files = {str(key): entry.files for key, entry in open_job(tmp_path).frames.items()}
    assert {name: file.path for name, (file,) in files.items()} == {
        "a": "originals/a.dng",
        "b": "originals/b.tiff",
        "c": "originals/c.jpg",
    }


@pytest.mark.parametrize(
    ("names", "says"),
    [
        (["a.dng", "a.jpg"], ()),  # what a camera writes
        (["a.tiff", "a.tif"], ("left out, as originals/hall/a.tif is the frame of this name: a.tiff",)),
        (["a.tif", "a.dng"], ("left out, as originals/hall/a.dng is the frame of this name: a.tif",)),
    ],
)
def test_a_file_that_gives_way_to_another_of_its_name_is_named(
    tmp_path: Path, names: list[str], says: tuple[str, ...]
) -> None:
    put(tmp_path, *(f"originals/hall/{name}" for name in names))
    assert open_job(tmp_path).remarks == says


def test_a_picture_of_another_kind_is_said(tmp_path: Path) -> None:
    put(tmp_path, "originals/hall/a.dng", "originals/hall/b.heic", "originals/hall/notes.txt")
    said = "left out, as frames are dng, tif, tiff, png, jpg, jpeg: b.heic"
    assert open_job(tmp_path).remarks == (said,)


def test_a_room_without_frames_is_said(tmp_path: Path) -> None:
    put(tmp_path, "originals/hall/a.dng", "originals/study/readme.txt")
    assert open_job(tmp_path).remarks == ("no frames in originals/study/",)


def test_pictures_beside_dngs_are_left_out_and_said(tmp_path: Path) -> None:
    job = open_job(put(tmp_path, "a.dng", "a.jpg", "patch.png"))
    assert list(job.frames) == [FrameKey("", "a")]
    assert len(job.remarks) == 1
    assert "patch.png" in job.remarks[0]


def test_hidden_files_and_deeper_folders_are_no_frames(tmp_path: Path) -> None:
    put(tmp_path, "originals/hall/._a.dng", "originals/hall/a.dng", "originals/hall/old/b.dng")
    job = open_job(tmp_path)
    assert list(job.frames) == [FrameKey("hall", "a")]
    assert job.remarks == ("left out, as rooms are one folder deep: hall/old",)


def test_names_of_all_kinds(tmp_path: Path) -> None:
    names = ["Stübli 1", "客厅", "a.b.c", "x" * 200, "with 'quotes' and $signs"]
    put(tmp_path, *(f"originals/room/{name}.dng" for name in names))
    assert {key.name for key in open_job(tmp_path).frames} == set(names)


@pytest.mark.parametrize(
    ("one", "two"),
    [("hall/A.dng", "hall/a.dng"), ("Hall/a.dng", "hall/a.dng"), ("hall/\u00e9.dng", "hall/e\u0301.dng")],
)
def test_names_that_differ_by_case_or_accent_form_are_refused(tmp_path: Path, one: str, two: str) -> None:
    put(tmp_path, f"originals/{one}", f"originals/{two}")
    if len(list((tmp_path / "originals").rglob("*.dng"))) < 2:
        pytest.skip("this file system cannot hold both")
    entries = list(open_job(tmp_path).frames.values())
    assert [bool(entry.refused) for entry in entries] == [False, True]
    assert "rename one of them" in entries[1].refused


@pytest.mark.skipif(os.name == "nt", reason="Windows does not take such names at all")
def test_names_that_windows_refuses_get_a_word(tmp_path: Path) -> None:
    job = open_job(put(tmp_path, "originals/con/a.dng", "originals/hall/what?.dng"))
    assert len(job.remarks) == 2
    bad = open_job(put(tmp_path, "originals/hall/new\nline.dng")).frames[FrameKey("hall", "new\nline")]
    assert "control characters" in bad.refused


@pytest.mark.skipif(os.name == "nt", reason="making links needs a right on Windows")
def test_links_that_lead_out_are_refused(tmp_path: Path) -> None:
    folder = put(tmp_path / "job", "originals/hall/a.dng")
    outside = put(tmp_path / "outside", "b.dng", "room/c.dng")
    (folder / "originals/hall/b.dng").symlink_to(outside / "b.dng")
    (folder / "originals/hall/inside.dng").symlink_to(folder / "originals/hall/a.dng")
    (folder / "originals/room").symlink_to(outside / "room", target_is_directory=True)
    (folder / "originals/hall/gone.dng").symlink_to(folder / "originals/hall/was-here.dng")
    (folder / "originals/ring.dng").symlink_to(folder / "originals/ring.dng")
    job = open_job(folder)
    refused = {str(key): entry.refused for key, entry in job.frames.items()}
    assert refused["hall/a"] == refused["hall/inside"] == ""
    assert "leads out of the job folder" in refused["hall/b"]
    assert "is not there" in refused["ring"]
    assert "is not there" in refused["hall/gone"]
    assert any("originals/room is a link that leads out" in remark for remark in job.remarks)


def test_the_job_file_tells_title_rights_rooms_and_reference(tmp_path: Path) -> None:
    put(tmp_path, *(f"originals/p{number}.dng" for number in range(1, 6)))
    (tmp_path / "job.toml").write_text(
        """title = "Fenhollow"
white_reference = "hall/p2"
[rights]
creator = "A. Fen"
copyright = "(c) 2026 A. Fen"
contact_url = "https://fenhollow.example"
contact_email = "post@fenhollow.example"
[rooms]
hall = ["p1", "p2"]
lounge = ["p[34]"]
"""
    )
    job = open_job(tmp_path)
    assert [str(key) for key in job.frames] == ["p5", "hall/p1", "hall/p2", "lounge/p3", "lounge/p4"]
    assert job.reference == FrameKey("hall", "p2")
    assert (job.title, job.rights.creator, job.rights.contact_email) == (
        "Fenhollow",
        "A. Fen",
        "post@fenhollow.example",
    )


def test_all_faults_of_the_job_file_are_told_at_once(tmp_path: Path) -> None:
    put(tmp_path, "originals/p1.dng", "originals/p2.dng")
    (tmp_path / "job.toml").write_text(
        'titel = "x"\ntone = 1\nwhite_reference = "p9"\n[rights]\ncreator = 3\n'
        '[rooms]\nhall = ["p1", "p7"]\n"../up" = ["p2"]\n'
    )
    with pytest.raises(JobError) as caught:
        open_job(tmp_path)
    told = str(caught.value)
    for words in (
        "job.toml:1: titel: unknown here; did you mean title?",
        "job.toml:2: tone: unknown here; settings of a stage belong into recipe.toml",
        "job.toml:3: white_reference: no frame p9 in this job",
        "job.toml:5: rights.creator: must be text in quotes",
        'job.toml:7: rooms.hall: no frame is named "p7"; did you mean p2?',
        "job.toml:8: rooms.../up: is no name for a folder",
    ):
        assert words in told


def test_two_frames_cannot_become_one(tmp_path: Path) -> None:
    put(tmp_path, "originals/left/a.dng", "originals/right/a.dng")
    (tmp_path / "job.toml").write_text('[rooms]\nhall = ["left/a", "right/a"]\n')
    with pytest.raises(JobError, match="would both be hall/a; rename one of them"):
        open_job(tmp_path)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"title = ", "job.toml:1: is not TOML"),
        (b"\xff\xfe", "job.toml:1: is not UTF-8"),
        (b"#" * 300_000, "larger than"),
        (b"a = " + b"[" * 100_000, "job.toml"),
    ],
)
def test_a_job_file_that_is_no_toml_gets_one_line(tmp_path: Path, content: bytes, says: str) -> None:
    put(tmp_path, "originals/a.dng")
    (tmp_path / "job.toml").write_bytes(content)
    with pytest.raises(JobError, match=says) as caught:
        open_job(tmp_path)
    assert len(str(caught.value).splitlines()) == 1


def test_a_folder_without_frames_is_no_job(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="no frames here"):
        open_job(tmp_path)
    with pytest.raises(ValueError, match="no such folder"):
        open_job(tmp_path / "nowhere")


def test_frames_where_nobody_looks_are_named(tmp_path: Path) -> None:
    put(tmp_path, "DCIM/101/a.dng")
    with pytest.raises(ValueError, match="one folder deep: DCIM/101"):
        open_job(tmp_path)
    put(tmp_path, "a.dng", "originals/notes.txt")
    with pytest.raises(ValueError, match="no frames in originals/ or in its room folders; put them there"):
        open_job(tmp_path)


@pytest.mark.parametrize("top", ["originals", "."])
def test_a_room_that_cannot_be_read_costs_only_itself(tmp_path: Path, top: str) -> None:
    put(tmp_path, f"{top}/hall/a.dng", f"{top}/attic/b.dng", f"{top}/attic/c.dng")
    with closed(tmp_path / top / "attic"):
        job = open_job(tmp_path.resolve())
    assert [str(key) for key in job.frames] == ["hall/a"]
    ((folder, why),) = job.unread.items()
    assert folder == ("attic" if top == "." else "originals/attic")
    assert why.startswith("the folder cannot be read (")
    assert job.remarks == (f"{folder}: {why}; mend that, then run again",)
    assert job.is_unread(f"{folder}/b.dng")
    assert not job.is_unread(f"{folder}-2/b.dng")


def test_what_is_said_of_a_room_that_cannot_be_read_is_no_fault(tmp_path: Path) -> None:
    put(
        tmp_path,
        "originals/hall/a.dng",
        "originals/attic/b.dng",
        "overrides/attic.toml",
        "overrides/attic/b.toml",
    )
    said = 'white_reference = "attic/b"\n[rooms]\nloft = ["attic/b2*"]\n'
    (tmp_path / "job.toml").write_text(said)
    with closed(tmp_path / "originals/attic"):
        job = open_job(tmp_path.resolve())
        load_recipe(job)
    assert job.reference is None
    assert job.remarks[1].endswith("originals/attic cannot be read; white is found without it")
    for ask in (job.room, job.key):
        with pytest.raises(ValueError, match="can be told now: originals/attic cannot be read"):
            ask("attic")
    with pytest.raises(JobError, match="no frame is named"):
        open_job(tmp_path)


def test_a_job_whose_only_room_cannot_be_read_says_so(tmp_path: Path) -> None:
    put(tmp_path, "originals/attic/b.dng")
    with (
        closed(tmp_path.resolve() / "originals/attic"),
        pytest.raises(
            ValueError, match=r"no frames in originals/.*; originals/attic: the folder cannot be read"
        ),
    ):
        open_job(tmp_path)


def test_the_folders_of_a_system_are_no_rooms(tmp_path: Path) -> None:
    put(tmp_path, "hall/a.dng", "lost+found/b.dng", "System Volume Information/c.dng")
    with closed(tmp_path.resolve() / "lost+found"):
        job = open_job(tmp_path)
    assert (list(job.rooms), job.unread, job.remarks) == (["hall"], {}, ())


def test_frames_and_rooms_are_found_by_what_a_person_types(tmp_path: Path) -> None:
    job = open_job(put(tmp_path, "originals/hall/a1.dng", "originals/lounge/a1.dng", "originals/hall/b2.dng"))
    assert job.key("hall/a1") == FrameKey("hall", "a1")
    assert job.key("b2") == FrameKey("hall", "b2")
    assert job.room("hall") == "hall"
    with pytest.raises(ValueError, match="several rooms: hall/a1, lounge/a1"):
        job.key("a1")
    with pytest.raises(ValueError, match="did you mean lounge/a1"):
        job.key("lounge/a11")
    with pytest.raises(ValueError, match=r"did you mean lounge\? \(rooms: hall, lounge\)"):
        job.room("lunge")
    with pytest.raises(ValueError, match="hall is a room; name one of its frames, such as hall/a1"):
        job.key("hall")


def test_natural_order() -> None:
    names = ["b", "a10", "A9", "a2", "a02", "10", "9", "a", ""]
    assert sorted(names, key=natural) == ["", "9", "10", "a", "a02", "a2", "A9", "a10", "b"]


@pytest.mark.parametrize("key", ["title", "creator"])
def test_a_text_that_no_finished_file_can_carry_is_refused_before_any_work(tmp_path: Path, key: str) -> None:
    """A fault once seen: `check` let it pass, and each frame failed at its end."""
    put(tmp_path, "originals/hall/a.dng")
    table = "" if key == "title" else "[rights]\n"
    (tmp_path / "job.toml").write_text(f'{table}{key} = "{"x" * 1001}"\n')
    with pytest.raises(JobError, match="is 1001 characters long; finished files carry 1000 at most"):
        open_job(tmp_path)


def _two_frames(folder: Path, text: str) -> Path:
    for name in ("hall-01", "hall-02"):
        path = folder / f"originals/hall/{name}.jpg"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"")
    (folder / "job.toml").write_text(text)
    return folder


def test_links_and_north_are_corrected_by_hand(tmp_path: Path) -> None:
    link = '[[links]]\nframes = ["hall-01", "hall/hall-02"]\nyaw_deg = 12\ndistance_m = 2.5\n'
    job = open_job(_two_frames(tmp_path, '[north]\n"hall-01" = -350\n' + link))
    one, other = FrameKey("hall", "hall-01"), FrameKey("hall", "hall-02")
    assert job.north == {one: 10.0}
    assert job.links == (LinkByHand((one, other), True, 12.0, None, 2.5),)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[[links]]\nframes = ["hall-01"]', "two frames"),
        ('[[links]]\nframes = ["hall-01", "hall-1"]', "no frame hall-1"),
        ('[[links]]\nframes = ["hall-01", "hall-01"]', "with itself"),
        ('[[links]]\nframes = ["hall-01", "hall-02"]\nyaw_deg = "left"', "must be a number"),
        ('[[links]]\nframes = ["hall-01", "hall-02"]\nse = true', "did you mean sees"),
        ("links = 3", "must be tables"),
        ('[north]\n"hall-01" = "east"', "heading in degrees"),
        ('[north]\n"hall-09" = 3', "no frame hall-09"),
    ],
)
def test_a_wrong_link_is_told(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(JobError) as caught:
        open_job(_two_frames(tmp_path, text))
    assert said in "\n".join(str(fault) for fault in caught.value.faults)
