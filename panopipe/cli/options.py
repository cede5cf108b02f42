"""Arguments and options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

JobFolder = Annotated[Path, typer.Argument(metavar="JOB", help="The job folder.", show_default=False)]
Where = Annotated[
    str, typer.Argument(metavar="WHERE", help='"job", a ROOM, or a ROOM/FRAME.', show_default=False)
]
Rooms = Annotated[
    list[str] | None, typer.Option("--room", metavar="ROOM", help="Only this room; may be repeated.")
]
Frames = Annotated[
    list[str] | None, typer.Option("--frame", metavar="ROOM/FRAME", help="Only this frame; may be repeated.")
]
Workers = Annotated[
    int | None,
    typer.Option("--workers", min=1, metavar="N", help="Worker processes; as many as fit by default."),
]
OnCluster = Annotated[
    str | None,
    typer.Option(
        "--cluster",
        metavar="ADDRESS",
        help="Have the workers of a cluster do it: tcp://HOST:PORT of its scheduler, or local:N to try it.",
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print the result as JSON, for scripts.")]
Debug = Annotated[bool, typer.Option("--debug", help="Show where in the program an error came from.")]
