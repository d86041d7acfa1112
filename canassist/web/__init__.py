"""The local page: drop a ride log in, watch it work, get the report."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from canassist.web.recording.run_tablet_page import tablet_page
    from canassist.web.run_server import serve
    from canassist.web.store.backup import backup, restore

__all__ = ["backup", "restore", "serve", "tablet_page"]

_HOMES: Final = {
    "serve": "canassist.web.run_server",
    "tablet_page": "canassist.web.recording.run_tablet_page",
    "backup": "canassist.web.store.backup",
    "restore": "canassist.web.store.backup",
}


def __getattr__(name: str) -> object:
    """Import a server when it is asked for: worker processes do without it."""
    if name not in _HOMES:
        message = f"module {__name__!r} has no attribute {name!r}"
        raise AttributeError(message)
    return getattr(import_module(_HOMES[name]), name)
