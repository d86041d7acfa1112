"""The local page: drop a ride log in, watch it work, get the report."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from canassist.web.run_server import serve

__all__ = ["serve"]


def __getattr__(name: str) -> object:
    """Import the server when it is asked for: worker processes do without it."""
    if name != "serve":
        message = f"module {__name__!r} has no attribute {name!r}"
        raise AttributeError(message)
    return import_module("canassist.web.run_server").serve
