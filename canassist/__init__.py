"""canassist: why the steering went heavy, read from a CAN bus log.

The public Python API: `dir(canassist)` lists it. Everything else may change without notice.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

from canassist.version import VERSION

if TYPE_CHECKING:
    from canassist.comparison import compare
    from canassist.errors import (
        CanassistError,
        DatabaseError,
        InputError,
        MissingExtraError,
        NoFramesError,
        OutputError,
        ProfileError,
        UsageError,
        VerificationError,
    )
    from canassist.learning import LearnOptions, learn
    from canassist.model import (
        Case,
        Channel,
        Code,
        Comparison,
        Conclusion,
        ConclusionRole,
        Coverage,
        Event,
        EventKind,
        Evidence,
        ExplainsComplaint,
        Profile,
        Progress,
        Result,
        Severity,
        Step,
        Strength,
    )
    from canassist.pipeline import analyze
    from canassist.profile import read_profile

__version__ = VERSION

_HOMES = {
    "canassist.comparison": ("compare",),
    "canassist.errors": (
        "CanassistError",
        "DatabaseError",
        "InputError",
        "MissingExtraError",
        "NoFramesError",
        "OutputError",
        "ProfileError",
        "UsageError",
        "VerificationError",
    ),
    "canassist.learning": ("LearnOptions", "learn"),
    "canassist.model": (
        "Case",
        "Channel",
        "Code",
        "Comparison",
        "Conclusion",
        "ConclusionRole",
        "Coverage",
        "Event",
        "EventKind",
        "Evidence",
        "ExplainsComplaint",
        "Profile",
        "Progress",
        "Result",
        "Severity",
        "Step",
        "Strength",
    ),
    "canassist.pipeline": ("analyze",),
    "canassist.profile": ("read_profile",),
}
_HOME = {name: home for home, names in _HOMES.items() for name in names}

__all__ = [
    "CanassistError",
    "Case",
    "Channel",
    "Code",
    "Comparison",
    "Conclusion",
    "ConclusionRole",
    "Coverage",
    "DatabaseError",
    "Event",
    "EventKind",
    "Evidence",
    "ExplainsComplaint",
    "InputError",
    "LearnOptions",
    "MissingExtraError",
    "NoFramesError",
    "OutputError",
    "Profile",
    "ProfileError",
    "Progress",
    "Result",
    "Severity",
    "Step",
    "Strength",
    "UsageError",
    "VerificationError",
    "__version__",
    "analyze",
    "compare",
    "learn",
    "read_profile",
]


def __getattr__(name: str) -> object:
    """Import a public name when it is first asked for, so that the command starts fast."""
    if name not in _HOME:
        message = f"module {__name__!r} has no attribute {name!r}"
        raise AttributeError(message)
    return getattr(import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    """Return the public names, and nothing else."""
    return sorted(__all__)
