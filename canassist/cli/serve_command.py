"""``canassist serve``: the local page."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path
from typing import Annotated

import typer

from canassist.cli.exit_status import tell
from canassist.errors import MissingExtraError


def serve(  # noqa: PLR0913, PLR0917 - typer makes an option of each
    host: Annotated[
        str, typer.Option(help="Address to listen on; any but loopback asks for a login.")
    ] = "127.0.0.1",
    port: Annotated[
        int, typer.Option(min=0, max=65535, help="Port to listen on; 0 takes a free one.")
    ] = 8321,
    data: Annotated[
        Path | None,
        typer.Option("--data", metavar="DIR", help="Folder of the rides and their reports."),
    ] = None,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Do not open a browser on the page.")
    ] = False,
    token_file: Annotated[
        Path | None,
        typer.Option("--token-file", metavar="FILE", help="File with the login's secret."),
    ] = None,
    address: Annotated[
        str,
        typer.Option(
            metavar="https://NAME", help="The page's address behind a proxy with TLS of your own."
        ),
    ] = "",
    rebuild: Annotated[
        bool,
        typer.Option("--rebuild", help="First make the index of rides again from what is kept."),
    ] = False,
) -> None:
    """Serve the local page: drop a log in, get the report."""
    if any(find_spec(name) is None for name in ("starlette", "uvicorn", "python_multipart")):
        problem = "The page needs libraries that are not installed."
        raise MissingExtraError(problem, 'Install them with `pip install "canassist[web]"`.')

    from canassist.web import serve as serve_page

    serve_page(
        host=host,
        port=port,
        data=data,
        token_file=token_file,
        browser=not no_browser,
        address=address,
        again=rebuild,
        tell=tell,
    )
