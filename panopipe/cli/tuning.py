"""Tuning by eye: a page on this machine."""

from __future__ import annotations

from typing import Annotated

import typer

from panopipe.cli.errors import told
from panopipe.cli.options import Debug, JobFolder, Workers


def tune(
    folder: JobFolder,
    where: Annotated[
        str, typer.Argument(metavar="[WHERE]", help="A ROOM or ROOM/FRAME to begin with.", show_default=False)
    ] = "",
    browser: Annotated[bool, typer.Option(help="Open the page in a browser.")] = True,
    workers: Workers = None,
    debug: Debug = False,
) -> None:
    """Tune by eye on a page of this machine, and keep what pleases.

    The page shows at once what a setting does. Nothing is written until it is kept there. It ends with
    Ctrl-C, or with the terminal.
    """
    with told(debug):
        import contextlib
        import webbrowser

        import cv2

        from panopipe.run.session import Options
        from panopipe.tune.server import Server
        from panopipe.tune.session import Session

        cv2.setNumThreads(1)
        session = Session(folder, where, Options(workers=workers))
        server = Server(session)
        serving = server.serve_beside()
        print(f"the page: {server.address}\n(only on this machine; Ctrl-C ends it)", flush=True)
        if browser:
            webbrowser.open(server.address)
        try:
            session.look()
            with contextlib.suppress(KeyboardInterrupt):  # it is how a sitting ends
                serving.join()
        finally:
            server.close()
