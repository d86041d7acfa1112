"""Fixtures shared by all tests."""

from __future__ import annotations

from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
SHARED_DATA = ROOT.parent / "shared" / "data"


@pytest.fixture(scope="session")
def project_root() -> Path:
    """Return the project's top folder."""
    return ROOT


@pytest.fixture(scope="session")
def shared_data() -> Path:
    """Return the folder of real recordings, or skip where it is not laid out."""
    if not (SHARED_DATA / "INDEX.md").is_file():
        pytest.skip("the real recordings (../shared/data) are not beside this checkout")
    return SHARED_DATA
