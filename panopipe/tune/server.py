"""The page's server: this machine only, behind a secret in the address, for one sitting.

Whoever asks by another name, from another origin or without the secret gets an empty 404. Nothing is served
but the page's own files and what a sitting answers; nothing of a request is logged.
"""

from __future__ import annotations

import hmac
import json
import logging
import secrets
import threading
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from importlib.resources import files
from typing import Any
from wsgiref.types import StartResponse, WSGIEnvironment

from waitress.server import create_server

from panopipe.errors import one_line
from panopipe.pipeline.held import Superseded
from panopipe.recipe.edit import Change
from panopipe.recipe.journal import Step
from panopipe.tune.draft import LEVELS
from panopipe.tune.loupe import Spot
from panopipe.tune.session import Answer, Asked, Session

HOST = "127.0.0.1"
_MOST_BYTES = 1 << 20
"""A request is a draft: a few lines."""
_THREADS = 6
"""Browsers ask for six things of one host at once."""
_KINDS = {".html": "text/html; charset=utf-8", ".css": "text/css", ".js": "text/javascript"}
_PAGE = {
    "": ("panopipe.tune", "tune.html"),
    "page/tune.css": ("panopipe.tune", "tune.css"),
    "page/tune.js": ("panopipe.tune", "tune.js"),
    "page/controls.js": ("panopipe.tune", "controls.js"),
    "page/light.js": ("panopipe.tune", "light.js"),
    "page/pointer.js": ("panopipe.tune", "pointer.js"),
    "page/keep.js": ("panopipe.tune", "keep.js"),
    "page/doubts.js": ("panopipe.tune", "doubts.js"),
    "page/sphere.js": ("panopipe.review", "sphere.js"),
}
"""The page's files, by what follows the secret in the address; the sphere is that of the morning page."""
_HEADERS = (
    ("Cache-Control", "no-store"),
    (
        "Content-Security-Policy",
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; "
        "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    ),
    ("Cross-Origin-Opener-Policy", "same-origin"),
    ("Cross-Origin-Resource-Policy", "same-origin"),
    ("Referrer-Policy", "no-referrer"),
    ("X-Content-Type-Options", "nosniff"),
)


@dataclass(frozen=True, slots=True)
class Reply:
    """What goes back: status, kind and bytes."""

    body: bytes = b""
    kind: str = "application/json"
    status: str = "200 OK"


NOTHING = Reply(status="404 Not Found", kind="text/plain")


class Application:
    """Answers requests of one sitting.

    Parameters
    ----------
    session : Session
        The sitting.
    """

    def __init__(self, session: Session) -> None:
        self._session = session
        self.secret = secrets.token_urlsafe(24)
        self.host = ""
        self._asks: dict[str, Callable[[Mapping[str, Any]], Reply]] = {
            "state": lambda _: _json(session.state()),
            "overview": lambda _: _json(session.overview()),
            "frame": lambda said: _json(session.frame(int(said["frame"]))),
            "picture": self._picture,
            "piece": self._piece,
            "fine": self._fine,
            "keep": self._keep,
            "carry": self._carry,
            "carried": self._carried,
            "doubts": lambda said: _json(session.doubts.of(session.key(int(said["frame"])))),
            "tick": self._tick,
            "undo": lambda _: _step(session.undo()),
            "redo": lambda _: _step(session.redo()),
            "steps": lambda _: _json(session.steps()),
        }

    @property
    def address(self) -> str:
        """Where the page is."""
        return f"http://{self.host}/{self.secret}/"

    def __call__(self, request: WSGIEnvironment, start: StartResponse) -> Iterable[bytes]:
        """Answer a request (PEP 3333)."""
        try:
            reply = self._reply(request)
        except Exception:  # whatever it is, it is no reason to tell a stranger anything
            reply = Reply(status="500 Internal Server Error", kind="text/plain")
        start(
            reply.status,
            [("Content-Type", reply.kind), ("Content-Length", str(len(reply.body))), *_HEADERS],
        )
        return [reply.body]

    def _reply(self, request: WSGIEnvironment) -> Reply:
        place = self._place(request)
        if place is None:
            return NOTHING
        if request["REQUEST_METHOD"] == "GET":
            if place in _PAGE:
                return _file(*_PAGE[place])
            if place.startswith("recorded/") and place.removeprefix("recorded/").isdecimal():
                return self._recorded(int(place.removeprefix("recorded/")))
            return NOTHING
        if request["REQUEST_METHOD"] == "POST" and place in self._asks:
            return self._asked(place, request)
        return NOTHING

    def _place(self, request: WSGIEnvironment) -> str | None:
        """What is asked for behind the secret; None if whoever asks must not be answered."""
        own = f"http://{self.host}"
        if request.get("HTTP_HOST") != self.host or request.get("HTTP_ORIGIN", own) != own:
            return None
        if request.get("HTTP_SEC_FETCH_SITE", "same-origin") not in ("same-origin", "none"):
            return None
        if request["REQUEST_METHOD"] == "POST" and request.get("CONTENT_TYPE") != "application/json":
            return None
        _, _, path = request.get("PATH_INFO", "").partition("/")
        secret, slash, place = path.partition("/")
        is_known = hmac.compare_digest(secret.encode("utf-8", "replace"), self.secret.encode())
        return place if is_known and slash else None

    def _asked(self, place: str, request: WSGIEnvironment) -> Reply:
        length = int(request.get("CONTENT_LENGTH") or 0)
        if not 0 <= length <= _MOST_BYTES:
            return NOTHING
        try:
            said = json.loads(request["wsgi.input"].read(length) or b"{}")
            return self._asks[place](said)
        except Superseded:
            return Reply(status="409 Conflict", kind="text/plain")
        except (KeyError, TypeError, AttributeError, RecursionError):
            return Reply(status="400 Bad Request", kind="text/plain")
        except (ValueError, OSError) as error:
            faults = [str(fault) for fault in getattr(error, "faults", ())] or [one_line(error)]
            return _json({"fault": "; ".join(faults)}, "422 Unprocessable Content")

    def _recorded(self, number: int) -> Reply:
        try:
            return Reply(self._session.as_recorded(number), "image/jpeg")
        except (OSError, ValueError):
            return NOTHING

    def _picture(self, said: Mapping[str, Any]) -> Reply:
        answer = self._session.picture(
            int(said["frame"]), dict(said["draft"]), _who(said), quick=bool(said.get("quick"))
        )
        return _pictured(answer)

    def _piece(self, said: Mapping[str, Any]) -> Reply:
        spot = Spot(float(said["yaw"]), float(said["pitch"]))
        return _pictured(self._session.piece(int(said["frame"]), dict(said["draft"]), spot, _who(said)))

    def _fine(self, said: Mapping[str, Any]) -> Reply:
        return _pictured(self._session.fine(int(said["frame"]), dict(said["draft"]), _who(said)))

    def _keep(self, said: Mapping[str, Any]) -> Reply:
        level = said["level"]
        if level not in LEVELS:
            raise KeyError(level)
        return _changes(
            self._session.keep(int(said["frame"]), dict(said["draft"]), level, write=said["write"] is True)
        )

    def _carry(self, said: Mapping[str, Any]) -> Reply:
        carry = partial(self._session.carry, str(said["source"]), list(said["rooms"]), list(said["stages"]))
        return _changes(carry(write=said["write"] is True))

    def _tick(self, said: Mapping[str, Any]) -> Reply:
        key, check = self._session.key(int(said["frame"])), str(said["check"])
        return _json(self._session.doubts.tick(key, check, accepted=said["accepted"] is True))

    def _carried(self, said: Mapping[str, Any]) -> Reply:
        answer = self._session.carried_picture(
            int(said["frame"]),
            str(said["source"]),
            list(said["stages"]),
            _who(said),
            after=said["after"] is True,
        )
        return _pictured(answer)


class Server:
    """The sitting's server.

    Parameters
    ----------
    session : Session
        The sitting.

    Raises
    ------
    OSError
        If no port can be had.
    """

    def __init__(self, session: Session) -> None:
        logging.getLogger("waitress").setLevel(logging.CRITICAL)
        self._is_closed = False
        self._application = Application(session)
        self._server = create_server(
            self._application,
            host=HOST,
            port=0,
            threads=_THREADS,
            max_request_body_size=_MOST_BYTES,
            ident=None,
        )
        self._application.host = f"{HOST}:{self._server.effective_port}"

    @property
    def address(self) -> str:
        """Where the page is, the secret with it."""
        return self._application.address

    def serve_beside(self) -> threading.Thread:
        """Answer in a thread of its own, until the port is let go of or the process ends."""
        thread = threading.Thread(target=self._serve, daemon=True)
        thread.start()
        return thread

    def _serve(self) -> None:
        try:
            self._server.run()
        except (OSError, ValueError):
            if not self._is_closed:
                raise

    def close(self) -> None:
        """Let go of the port."""
        self._is_closed = True
        self._server.close()


def _who(said: Mapping[str, Any]) -> Asked:
    return Asked(str(said["page"]), int(said["number"]))


def _json(value: object, status: str = "200 OK") -> Reply:
    return Reply(json.dumps(value, default=list).encode("ascii"), status=status)


def _file(package: str, name: str) -> Reply:
    return Reply((files(package) / "page" / name).read_bytes(), _KINDS[name[name.rindex(".") :]])


def _pictured(answer: Answer) -> Reply:
    """What is told as JSON, its length in four bytes before it, then the picture."""
    told = json.dumps(answer.told).encode("ascii")
    body = len(told).to_bytes(4, "big") + told + bytes(answer.output.data)
    return Reply(body, "application/octet-stream")


def _changes(changes: Iterable[Change]) -> Reply:
    return _json({"changes": [{"file": change.file, "lines": change.lines} for change in changes]})


def _step(step: Step) -> Reply:
    changes = [{"file": change.file, "lines": change.lines} for change in step.changes]
    return _json({"said": step.said, "changes": changes})
