"""The statement that goes with a delivery: one page of what was done to each picture, to read and to print.

It needs no script and no other file: its pictures are in it. Whatever the job is called is text in it.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from importlib.resources import files

from panopipe import __version__
from panopipe.delivery.doings import doings
from panopipe.frame import FrameKey
from panopipe.review.finding import FrameReview
from panopipe.review.words import count
from panopipe.stage import Rights

NAME = "statement.html"

_CAUTIONS = (
    "A finished picture is a statement about a place, and a retouched one can mislead a buyer or a guest. "
    "What was covered or rebuilt is told above; whether anything is missing that one ought to know, only the "
    "photographer can say.",
    "Mirrors, windows and glossy fronts may show people. No program looks for them: look before you publish.",
    "The law of the place decides what advertising may show and must tell, and what privacy asks. Where it "
    "leaves statements about a property to people who are licensed for them, this page is none.",
)


@dataclass(frozen=True, slots=True)
class Delivered:
    """One picture as the statement tells of it.

    Attributes
    ----------
    name : str
        File in the delivery.
    review : FrameReview
        What was done to it and what checks say of it.
    width, height : int
        Pixels.
    made_from : str
        What it was made from, where that is more than one file.
    thumbnail : bytes
        A small JPEG, twice as wide as high; empty if there is none.
    by_hand : bool
        Whether it was changed after panopipe wrote it.
    quality : int or None
        JPEG quality of the second coding, if there was one.
    """

    name: str
    review: FrameReview
    width: int
    height: int
    made_from: str = ""
    thumbnail: bytes = b""
    by_hand: bool = False
    quality: int | None = None


@dataclass(frozen=True, slots=True)
class Statement:
    """All that the statement tells.

    Attributes
    ----------
    title : str
        Of the job.
    rights : Rights
        Whose the pictures are.
    pictures : sequence of Delivered
        In walking order.
    missing : sequence of tuple of FrameKey and str
        Frames of the job that are not delivered, and why.
    has_position : bool
        Whether the files may tell where the place lies.
    """

    title: str
    rights: Rights
    pictures: Sequence[Delivered]
    missing: Sequence[tuple[FrameKey, str]] = ()
    has_position: bool = False


def statement_html(statement: Statement) -> bytes:
    """The page, as UTF-8; the same facts give the same bytes."""
    style = (files("panopipe.delivery") / "statement.css").read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = (
        f"default-src 'none'; style-src 'sha256-{digest}'; img-src data:; base-uri 'none'; form-action 'none'"
    )
    title = statement.title or "Delivery"
    always = _always(statement.pictures)
    body = [
        f"<header><h1>{_text(title)}</h1>",
        f'<p class="what">What was done to {count(len(statement.pictures), "picture")}, one by one.</p>',
        _rights(statement.rights),
        "</header><main>",
        _section("To every picture", _list(always), "common") if always else "",
        _section("To each picture", _table(statement.pictures, always)),
        _section("Not delivered", _list([f"{key}: {why}" for key, why in statement.missing]))
        if statement.missing
        else "",
        _section("With care", _list([*_CAUTIONS, _position(statement.has_position)]), "cautions"),
        _section("To check the files", _CHECKING),
        f"</main><footer><p>Written by panopipe {__version__} from what it noted as it worked.</p></footer>",
    ]
    head = (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="referrer" content="no-referrer">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        f"<title>{_text(title)}: statement</title>\n<style>{style}</style>\n</head>\n<body>\n"
    )
    return (head + "\n".join(filter(None, body)) + "\n</body>\n</html>\n").encode("utf-8", "replace")


_CHECKING = (
    "<p>SHA256SUMS lists the SHA-256 of every file. In a terminal, in this folder: "
    "<code>sha256sum -c SHA256SUMS</code> (on a Mac <code>shasum -a 256 -c SHA256SUMS</code>).</p>"
)


def _always(pictures: Sequence[Delivered]) -> list[str]:
    """What was done to all of them, in the order in which it was done."""
    told = [[doing.always for doing in doings(one.review.record)] for one in pictures]
    return [words for words in (told[0] if told else []) if words and all(words in each for each in told)]


def _table(pictures: Sequence[Delivered], always: Sequence[str]) -> str:
    heads = "".join(f'<th scope="col">{head}</th>' for head in ("Picture", "What was done", "Doubt"))
    rows = "\n".join(_row(one, always) for one in pictures)
    return f"<table><thead><tr>{heads}</tr></thead><tbody>\n{rows}\n</tbody></table>"


def _row(one: Delivered, always: Sequence[str]) -> str:
    record, doubts = one.review.record, [*one.review.crossed, *one.review.accepted]
    done = [one.made_from]
    for doing in doings(record):
        done += [doing.always if doing.always not in always else "", doing.here]
    done.append("Changed by hand after it was finished." if one.by_hand else "")
    again = f"Compressed a second time, at quality {one.quality}, for a smaller file."
    done.append(again if one.quality is not None else "")
    said = [f.sentence + (" Looked at and accepted." if f.accepted else " Left open.") for f in doubts]
    picture = f"{_image(one)}<strong>{_text(one.name)}</strong> <small>{one.width} × {one.height}</small>"
    return (
        f'<tr><th scope="row">{picture}</th><td>{_lines(done) or "Nothing beyond that."}</td>'
        f'<td class="doubt">{_lines(said) or "<span>none</span>"}</td></tr>'
    )


def _image(one: Delivered) -> str:
    if not one.thumbnail:
        return ""
    data = base64.b64encode(one.thumbnail).decode("ascii")
    return f'<img src="data:image/jpeg;base64,{data}" alt="" width="240" height="120">'


def _lines(texts: Sequence[str]) -> str:
    return "".join(f"<p>{_text(text)}</p>" for text in texts if text)


def _rights(rights: Rights) -> str:
    said = [rights.creator, rights.copyright, rights.contact_url, rights.contact_email]
    return (
        f'<p class="rights">{_text(" · ".join(filter(None, dict.fromkeys(said))))}</p>' if any(said) else ""
    )


def _position(has_position: bool) -> str:
    if has_position:
        return "Where the camera noted a GPS position the files may hold it: it tells where a home stands."
    return "The files tell no GPS position: it would tell where a home stands."


def _section(title: str, inside: str, name: str = "") -> str:
    kind = f' class="{name}"' if name else ""
    return f"<section{kind}><h2>{title}</h2>{inside}</section>"


def _list(texts: Sequence[str]) -> str:
    return "<ul>" + "".join(f"<li>{_text(text)}</li>" for text in texts) + "</ul>"


def _text(text: str) -> str:
    """Text of a job as markup can hold it; control characters, which it cannot, as spaces."""
    return escape("".join(c if c.isprintable() else " " for c in text))
