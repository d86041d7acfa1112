"""Floors of dependencies stand above advisories that were known when they were set."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

# Package, first version without it, and the advisory; from memory, without a look at a database.
# `pip-audit` asks one (DEVELOPERS.md, "Dependencies").
ADVISORIES = (
    ("jinja2", "3.1.6", "CVE-2025-27516: a template reaches past the sandbox"),
    ("cryptography", "44.0.1", "CVE-2024-12797: bundled OpenSSL, raw public keys"),
    ("h11", "0.16", "CVE-2025-43859: chunked bodies read leniently"),
    ("python-multipart", "0.0.18", "CVE-2024-53981: time without bound before a boundary"),
    ("python-multipart", "0.0.22", "CVE-2026-24486: a file name leads out of the folder"),
    ("starlette", "0.40.0", "CVE-2024-47874: forms without bound"),
    ("starlette", "0.47.2", "CVE-2025-54121: large files block the loop"),
    ("starlette", "0.49.1", "CVE-2025-62727: ranges of a file cost time squared"),
    ("plotly", "5.20", "CVE-2023-46308: prototype pollution in the script"),
    ("pyarrow", "14.0.1", "CVE-2023-47248: a file runs code"),
)
BASE = {
    "cantools", "jinja2", "markupsafe", "numpy", "pandas", "plotly", "python-can", "rfc8785",
    "typer", "tzdata", "zstandard",
}  # fmt: skip


def floors(project_root: Path) -> dict[str, tuple[int, ...]]:
    """Return the lowest version that each dependency may have."""
    project = tomllib.loads((project_root / "pyproject.toml").read_text("utf-8"))["project"]
    groups = [project["dependencies"], *project["optional-dependencies"].values()]
    found = (re.match(r"([\w-]+)>=([\d.]+)", text) for group in groups for text in group)
    return {one[1]: _numbers(one[2]) for one in found if one}


def _numbers(text: str) -> tuple[int, ...]:
    return tuple(int(part) for part in text.split("."))


@pytest.mark.parametrize(("package", "mended", "advisory"), ADVISORIES)
def test_floor_stands_above_an_advisory(
    project_root: Path, package: str, mended: str, advisory: str
) -> None:
    assert floors(project_root)[package] >= _numbers(mended), advisory


def test_a_report_needs_few_libraries(project_root: Path) -> None:
    project = tomllib.loads((project_root / "pyproject.toml").read_text("utf-8"))["project"]
    needed = {re.split(r"[>=;\s]", text)[0] for text in project["dependencies"]}
    assert needed <= BASE


def test_the_command_that_checks_them_is_documented(project_root: Path) -> None:
    assert "pip-audit" in (project_root / "DEVELOPERS.md").read_text("utf-8")
