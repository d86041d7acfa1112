"""Fixtures shared by all tests."""

from __future__ import annotations

import os
import tarfile
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

if TYPE_CHECKING:
    from playwright.sync_api import Browser

ROOT = Path(__file__).resolve().parent.parent
SHARED_DATA = ROOT.parent / "shared" / "data"

# An example's default limit of 0.2 s measures how busy the machine is. Tests that guard against
# hangs set a limit of their own.
settings.register_profile("patient", deadline=None)
settings.load_profile("patient")


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


@pytest.fixture(scope="session")
def first_version(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder of what version 0.1 wrote, kept as it was; tests change copies only.

    ``unsigned.html``, ``signed.html`` and ``compared.html`` with their JSON, made from the two
    rides, the database and the profile beside them; ``fleet``, a folder of screening; ``data``,
    the page's data folder with two rides and their comparison.
    """
    folder = tmp_path_factory.mktemp("first_version")
    with tarfile.open(ROOT / "tests" / "golden" / "version_0.1.tar.xz") as archive:
        archive.extractall(folder, filter="data")
    return folder


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Return an installed Chromium; skip where there is none, but never on a build server."""
    from playwright.sync_api import sync_playwright  # noqa: PLC0415 - few tests need it

    from canassist.report.pdf import find_browser  # noqa: PLC0415 - the same

    path = find_browser()
    if path is None:
        if os.environ.get("CI"):
            pytest.fail("a build server must have a browser of the Chromium family")
        pytest.skip("no browser of the Chromium family is installed")
    flags = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(
            executable_path=path, args=[*flags, "--disable-component-update"]
        )
        yield started
        started.close()
