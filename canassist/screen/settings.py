"""What decides, with a log's content, whether it is done already: tool, databases, profile."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from canassist import decode
from canassist.pipeline import input_file
from canassist.profile import default_profile, read_profile
from canassist.version import VERSION

SCHEMA: Final = "canassist-screen/4"
"""Changes when result files do."""
_LETTERS: Final = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreenSettings:
    """Tool version, databases and profile.

    Attributes
    ----------
    dbc : tuple of str
    profile : str
        Their names as a worker with another current folder finds them.
    mark : str
        Stands for all of them in a folder's name.
    inputs : frozenset of str
        SHA-256 of databases and profile.
    """

    dbc: tuple[str, ...]
    profile: str
    mark: str
    inputs: frozenset[str]


def check_settings(dbc: tuple[str, ...], profile: str) -> ScreenSettings:
    """Read databases and profile once, before any log is tried with them.

    Raises
    ------
    CanassistError
        If no log could be read with them.
    """
    known = read_profile(Path(profile)) if profile else default_profile()
    decode.plan_reading(decode.load_databases([Path(name) for name in dbc]), known)
    marks, inputs, places = [SCHEMA, VERSION], [], []
    for name in dbc:
        bus, path = decode.split_bus(Path(name))
        inputs.append(input_file(path, "dbc").sha256)
        marks.append(f"{bus}={inputs[-1]}")
        places.append(f"{bus}={path.absolute()}" if bus else str(path.absolute()))
    if profile:
        inputs.append(input_file(Path(profile), "profile").sha256)
        marks.append(f"profile {inputs[-1]}")
    mark = hashlib.sha256("\n".join(marks).encode("utf-8", "surrogateescape")).hexdigest()
    return ScreenSettings(
        dbc=tuple(places),
        profile=str(Path(profile).absolute()) if profile else "",
        mark=mark[:_LETTERS],
        inputs=frozenset(inputs),
    )
