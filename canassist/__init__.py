"""canassist: why the steering went heavy, read from a CAN bus log.

The public Python API. Everything else may change without notice.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

from canassist.errors import CanassistError
from canassist.version import VERSION

if TYPE_CHECKING:
    from canassist.comparison import compare
    from canassist.model import Case, Channel, Comparison, Conclusion, Event, Profile, Result
    from canassist.pipeline import analyze
    from canassist.profile import read_profile

__version__ = VERSION

__all__ = [
    "CanassistError",
    "Case",
    "Channel",
    "Comparison",
    "Conclusion",
    "Event",
    "Profile",
    "Result",
    "__version__",
    "analyze",
    "compare",
    "read_profile",
]

_HOMES = {
    "Case": "canassist.model",
    "Channel": "canassist.model",
    "Comparison": "canassist.model",
    "Conclusion": "canassist.model",
    "Event": "canassist.model",
    "Profile": "canassist.model",
    "Result": "canassist.model",
    "analyze": "canassist.pipeline",
    "compare": "canassist.comparison",
    "read_profile": "canassist.profile",
}


def __getattr__(name: str) -> object:
    """Import a public name when it is first asked for, so that the command starts fast."""
    if name not in _HOMES:
        message = f"module {__name__!r} has no attribute {name!r}"
        raise AttributeError(message)
    return getattr(import_module(_HOMES[name]), name)
