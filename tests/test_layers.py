"""Data flows one way: each layer imports only what stands to its left."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ORDER = ("readers", "decode", "timeline", "physics", "detect", "conclude", "report")
BELOW = {"errors", "model", "units", "profile", "version", "quick_import", "output", "zones"}
JOINERS = {"pipeline", "judging", "compare", "screen", "web", "cli", "demo", "channel_list"}
HOME_OF_LIBRARY = {
    "can": {"readers", "demo"},
    "cantools": {"decode", "demo"},
    "plotly": {"report"},
    "jinja2": {"report", "web"},
    "typer": {"cli"},
    "starlette": {"web"},
    "uvicorn": {"web"},
    "dask": {"screen"},
    "distributed": {"screen"},
}
PURE = ("timeline", "physics", "detect", "conclude")
IMPURE_MODULES = {"pathlib", "os", "time", "socket", "urllib", "subprocess", "tempfile", "io"}

Import = tuple[str, str]


def room_of(path: Path, package: Path) -> str:
    return path.relative_to(package).parts[0].removesuffix(".py")


def imports(project_root: Path) -> list[tuple[str, str, str]]:
    """Return (room, file, imported module) of every import in the package."""
    package = project_root / "canassist"
    found = []
    for path in sorted(package.rglob("*.py")):
        room = room_of(path, package)
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.module:
                names = [node.module]
                if node.module == "canassist":
                    names = [f"canassist.{alias.name}" for alias in node.names]
            else:
                continue
            found += [(room, path.name, name) for name in names]
    return found


def test_a_layer_imports_only_what_stands_to_its_left(project_root: Path) -> None:
    wrong = []
    for room, file, name in imports(project_root):
        if room not in ORDER or not name.startswith("canassist."):
            continue
        other = name.split(".")[1]
        left = set(ORDER[: ORDER.index(room) + 1]) | BELOW
        if other not in left:
            wrong.append(f"{room}/{file} imports {name}")
    assert wrong == []


def test_values_and_errors_import_no_layer(project_root: Path) -> None:
    wrong = [
        f"{room}/{file} imports {name}"
        for room, file, name in imports(project_root)
        if room in BELOW and name.startswith("canassist.") and name.split(".")[1] not in BELOW
    ]
    assert wrong == []


def test_demo_is_imported_by_no_layer(project_root: Path) -> None:
    wrong = [
        f"{room}/{file}"
        for room, file, name in imports(project_root)
        if name.startswith("canassist.demo") and room not in {"demo", "cli", "web"}
    ]
    assert wrong == []


@pytest.mark.parametrize("library", sorted(HOME_OF_LIBRARY))
def test_each_library_has_its_home(project_root: Path, library: str) -> None:
    wrong = [
        f"{room}/{file} imports {name}"
        for room, file, name in imports(project_root)
        if name.split(".")[0] == library and room not in HOME_OF_LIBRARY[library]
    ]
    assert wrong == []


def test_computing_layers_touch_no_file_clock_or_network(project_root: Path) -> None:
    wrong = [
        f"{room}/{file} imports {name}"
        for room, file, name in imports(project_root)
        if room in PURE and name.split(".")[0] in IMPURE_MODULES
    ]
    assert wrong == []


def test_no_room_reaches_into_a_private_module(project_root: Path) -> None:
    wrong = [
        f"{room}/{file} imports {name}"
        for room, file, name in imports(project_root)
        if name.startswith("canassist.") and any(p.startswith("_") for p in name.split("."))
    ]
    assert wrong == []
