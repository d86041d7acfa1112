"""The tablet's page of a recording, where its libraries are installed."""

from __future__ import annotations

from contextlib import contextmanager
from importlib.util import find_spec
from typing import TYPE_CHECKING

from canassist.cli.exit_status import tell
from canassist.errors import MissingExtraError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.record import RecordingSession


@contextmanager
def page_for(session: RecordingSession, where: str) -> Iterator[None]:
    """Serve the page while the recording runs.

    Raises
    ------
    CanassistError
        If the libraries are missing, or the address cannot be had.
    """
    if any(find_spec(name) is None for name in ("starlette", "uvicorn", "python_multipart")):
        problem = "The page needs libraries that are not installed."
        raise MissingExtraError(problem, 'Install them with `pip install "canassist[web]"`.')
    from canassist.web import tablet_page

    with tablet_page(session, where, data=session.plan.log.absolute().parent, tell=tell):
        yield
