"""The version of the tool, as results state it."""

from __future__ import annotations

from typing import Final

VERSION: Final = "0.2.0"
