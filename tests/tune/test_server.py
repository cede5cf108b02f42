"""The server: one machine, one origin, one secret, and not a word to anybody else."""

from __future__ import annotations

import http.client
import json
import logging
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from panopipe.tune.server import Server
from panopipe.tune.session import Session


@pytest.fixture
def server(folder: Path, sit: Callable[..., Session]) -> Iterator[Server]:
    made = Server(sit(folder))
    made.serve_beside()
    yield made
    made.close()


def place(server: Server) -> tuple[str, str]:
    """Host with port, and the path with the secret."""
    host, _, path = server.address.removeprefix("http://").partition("/")
    return host, f"/{path}"


def ask(
    server: Server, what: str, body: object = None, *, path: str | None = None, **headers: str | None
) -> tuple[int, bytes, dict[str, str]]:
    host, own = place(server)
    given = {"Host": host, "Content-Type": "application/json"} | {
        name.replace("_", "-"): value for name, value in headers.items()
    }
    connection = http.client.HTTPConnection(host, timeout=60)
    connection.putrequest(
        "GET" if body is None else "POST", (own if path is None else path) + what, skip_host=True
    )
    data = b"" if body is None else json.dumps(body).encode()
    for name, value in ({"Content-Length": str(len(data))} | given).items():
        if value is not None:
            connection.putheader(name, value)
    connection.endheaders(data)
    reply = connection.getresponse()
    found = reply.status, reply.read(), dict(reply.getheaders())
    connection.close()
    return found


def test_the_page_and_its_files_are_served_and_nothing_else(server: Server) -> None:
    for name in ("", "page/tune.js", "page/sphere.js", "page/tune.css"):
        status, body, headers = ask(server, name)
        assert status == 200
        assert body
        assert "default-src 'none'" in headers["Content-Security-Policy"]
        assert headers["Cache-Control"] == "no-store"
        assert "Access-Control-Allow-Origin" not in headers
    for name in ("page/../server.py", "recipe.toml", "page/", "page/%2e%2e/x", "state", "recorded/x"):
        assert ask(server, name)[:2] == (404, b"")


@pytest.mark.parametrize(
    "headers",
    [
        {"Host": "localhost:1"},
        {"Host": "evil.example"},
        {"Host": None},
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Sec_Fetch_Site": "cross-site"},
        {"Sec_Fetch_Site": "same-site"},
        {"Content_Type": "text/plain"},
    ],
)
def test_whoever_asks_by_another_name_or_from_elsewhere_gets_nothing(
    server: Server, headers: dict[str, str | None]
) -> None:
    status, body, _ = ask(server, "state", {}, **headers)
    assert status in (400, 404)
    assert b"ready" not in body
    assert ask(server, "state", {})[0] == 200


def test_another_name_of_this_machine_is_refused_too(server: Server) -> None:
    host, _ = place(server)
    port = host.rpartition(":")[2]
    assert ask(server, "", Host=f"localhost:{port}")[:2] == (404, b"")


def test_without_the_secret_there_is_nothing(server: Server) -> None:
    _, own = place(server)
    for path in ("/", "/x/", own[:-2] + "/", own.upper(), "//", own.rstrip("/")):
        assert ask(server, "", path=path)[:2] == (404, b"")
        assert ask(server, "state", {}, path=path)[:2] == (404, b"")


def test_it_listens_on_this_machine_only(server: Server) -> None:
    assert server.address.startswith("http://127.0.0.1:")


def test_the_secret_is_long_and_another_each_time(server: Server, folder: Path) -> None:
    other = Server(Session(folder))
    other.serve_beside()
    other.close()
    assert len(place(server)[1]) >= 34
    assert place(server)[1] != place(other)[1]


@pytest.mark.parametrize(
    "body",
    [
        {},
        [],
        "x",
        3,
        {"frame": "x", "draft": {}, "page": "p", "number": 1},
        {"frame": 0, "draft": 3},
        {"frame": 0, "draft": {}, "page": "p", "number": "many"},
    ],
)
def test_what_makes_no_sense_is_refused(server: Server, body: object) -> None:
    assert ask(server, "picture", body)[0] in (400, 422)


def test_a_fault_of_a_value_is_told_in_words(server: Server) -> None:
    said = {"frame": 0, "draft": {"tone.exposure_ev": 99}, "page": "p", "number": 1}
    status, body, _ = ask(server, "picture", said)
    assert status == 422
    assert json.loads(body)["fault"].startswith("tone.exposure_ev: 99 is not allowed here")


def test_a_picture_comes_with_what_is_told_of_it(server: Server) -> None:
    status, body, _ = ask(server, "picture", {"frame": 0, "draft": {}, "page": "p", "number": 1})
    assert status == 200
    length = int.from_bytes(body[:4], "big")
    told: dict[str, Any] = json.loads(body[4 : 4 + length])
    assert told["values"]["tone.exposure_ev"]["value"] == "auto"
    assert isinstance(told["notes"]["tone"]["exposure_ev"], float)
    assert body[4 + length :].startswith(b"\xff\xd8")


def test_nothing_is_written_unless_told_so_in_so_many_words(server: Server, folder: Path) -> None:
    before = (folder / "recipe.toml").read_text()
    said = {"frame": 0, "draft": {"tone.exposure_ev": 1}, "level": "job"}
    for write in (False, 1, "true", None):
        ask(server, "keep", {**said, "write": write})
    assert (folder / "recipe.toml").read_text() == before
    assert ask(server, "keep", {**said, "write": True})[0] == 200
    assert "exposure_ev = 1" in (folder / "recipe.toml").read_text()
    assert ask(server, "keep", {**said, "level": "../x", "write": True})[0] == 400


def test_a_request_that_is_too_large_is_refused(server: Server) -> None:
    """Its head alone tells; a body still on its way would be cut off by the closed connection."""
    status, _, _ = ask(server, "picture", {}, Content_Length=str(1 << 21))
    assert status in (404, 413)


def test_no_secret_reaches_a_log(
    server: Server, caplog: pytest.LogCaptureFixture, capfd: pytest.CaptureFixture[str]
) -> None:
    secret = place(server)[1].strip("/")
    with caplog.at_level(logging.DEBUG):
        ask(server, "", Host="evil.example")
        ask(server, "picture", {"frame": 99, "draft": {}, "page": "p", "number": 1})
        ask(server, "picture", [])
    written = capfd.readouterr()
    assert secret not in caplog.text + written.out + written.err


def test_no_secret_reaches_the_job(server: Server, folder: Path) -> None:
    ask(server, "picture", {"frame": 0, "draft": {}, "page": "p", "number": 1})
    secret = place(server)[1].strip("/").encode()
    assert not [path for path in folder.rglob("*") if path.is_file() and secret in path.read_bytes()]


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such request to end")
def test_it_ends_with_the_terminal_whatever_it_is_at(folder: Path, tmp_path: Path) -> None:
    """A fault once seen: ended while it looked at the frames, it left a traceback."""
    (folder / "recipe.toml").unlink()  # the plugin is none of that process
    words = [sys.executable, "-m", "panopipe", "tune", str(folder), "--no-browser", "--workers", "1"]
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])}
    with subprocess.Popen(
        words, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as going:
        assert going.stdout is not None
        assert going.stdout.readline().startswith("the page: http://127.0.0.1:")
        time.sleep(0.5)
        going.terminate()
        _, told = going.communicate(timeout=60)
    assert going.returncode in (0, 130)
    assert "Traceback" not in told
