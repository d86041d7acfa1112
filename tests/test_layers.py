"""The house: who may import whom, what is pure, how rooms and names are kept.

Each rule is a function from a package folder to its breaches, so that a planted breach of
each can be shown to be seen.
"""

from __future__ import annotations

import ast
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

LAYERS = ("frames", "decode", "timeline", "physics", "detect", "conclude", "report")
BELOW = {
    "errors",
    "model",
    "plain_toml",
    "units",
    "profile",
    "stats",
    "version",
    "quick_import",
    "atomic_write",
    "time_zones",
    "vin",
}
JOINED = {"packed_knowledge", "pipeline", "result_views", "judging", "export", "channel_list"}
ON_TOP = ({"screen"}, {"comparison", "learning", "record"}, {"web"}, {"cli"})
SIMULATOR = {"demo": {"cli", "web"}}
HOME_OF_LIBRARY = {
    "can": {"frames", "record", "demo"},
    "cantools": {"decode", "demo"},
    "plotly": {"report"},
    "jinja2": {"report", "web", "record"},
    "typer": {"cli"},
    "starlette": {"web", "record"},
    "uvicorn": {"web", "record"},
    "dask": {"screen"},
    "distributed": {"screen"},
}
PURE = ("stats", "timeline", "physics", "detect", "conclude")
IMPURE_MODULES = {"pathlib", "os", "time", "socket", "urllib", "subprocess", "tempfile", "io"}
MOST_FLAT_FILES = 20
SAME_SUBJECT = {
    "app.py": "the command line's and the page's",
    "charging.py": "what is estimated of it, and the event",
    "files.py": "what the demo writes, and what is exported",
    "settings.py": "what decides in a screening, and what the page is started with",
    "transport.py": "one standard's",
}


class Import(NamedTuple):
    """One import of a module."""

    room: str
    file: str
    name: str

    def __str__(self) -> str:
        return f"{self.file} imports {self.name}"

    @property
    def target(self) -> str:
        """The room that it names; empty outside the package."""
        parts = self.name.split(".")
        return parts[1] if parts[0] == "canassist" and len(parts) > 1 else ""


def room_of(path: Path, package: Path) -> str:
    return path.relative_to(package).parts[0].removesuffix(".py")


def modules(package: Path) -> Iterator[tuple[Path, ast.Module]]:
    for path in sorted(package.rglob("*.py")):
        yield path, ast.parse(path.read_text("utf-8"))


def imports(package: Path) -> Iterator[Import]:
    """Yield every import, also of what is loaded late."""
    for path, tree in modules(package):
        for node in ast.walk(tree):
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.module == "canassist":
                names = [f"canassist.{alias.name}" for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.module:
                names = [node.module]
            else:
                continue
            file = path.relative_to(package).as_posix()
            yield from (Import(room_of(path, package), file, name) for name in names)


def against_the_flow(package: Path) -> list[str]:
    """Find layers that import what stands to their right."""
    wrong = []
    for item in imports(package):
        if item.room not in LAYERS or not item.target:
            continue
        left = set(LAYERS[: LAYERS.index(item.room) + 1]) | BELOW
        if item.target not in left:
            wrong.append(str(item))
    return wrong


def from_below(package: Path) -> list[str]:
    """Find what stands below all layers and imports one of them."""
    return [
        str(item)
        for item in imports(package)
        if item.room in BELOW and item.target and item.target not in BELOW
    ]


def against_the_order_on_top(package: Path) -> list[str]:
    """Find rooms on top that import what stands above them: screen < comparison ... < web < cli."""
    wrong = []
    for item in imports(package):
        place = next((n for n, rooms in enumerate(ON_TOP) if item.room in rooms), None)
        if item.room in JOINED:
            place = -1
        if place is None or not item.target or item.target == item.room:
            continue
        above = next((n for n, rooms in enumerate(ON_TOP) if item.target in rooms), -1)
        if above >= place > -1 or (place == -1 and above > -1):
            wrong.append(str(item))
    return wrong


def simulator_in_use(package: Path) -> list[str]:
    """Find layers that import the invented rides."""
    return [
        str(item)
        for item in imports(package)
        if item.target in SIMULATOR and item.room not in SIMULATOR[item.target] | {item.target}
    ]


def library_away_from_home(package: Path) -> list[str]:
    """Find heavy libraries used away from their own room."""
    return [
        str(item)
        for item in imports(package)
        if item.room not in HOME_OF_LIBRARY.get(item.name.split(".")[0], {item.room})
    ]


def impure(package: Path) -> list[str]:
    """Find computing rooms that touch a file, a clock or the network."""
    return [
        str(item)
        for item in imports(package)
        if item.room in PURE and item.name.split(".")[0] in IMPURE_MODULES
    ]


def past_the_face(package: Path) -> list[str]:
    """Find imports past the face (``__init__``) of a room."""
    return [
        str(item)
        for item in imports(package)
        if item.target and item.target != item.room and item.name.count(".") > 1
    ]


def private_module(package: Path) -> list[str]:
    """Find private modules: what is private is a name inside one."""
    return [
        str(item)
        for item in imports(package)
        if item.target and any(part.startswith("_") for part in item.name.split("."))
    ]


def crowded(package: Path) -> list[str]:
    """Find rooms with more flat files than one can look over."""
    counts = Counter(path.parent for path, _ in modules(package))
    return [f"{room}: {n} files" for room, n in counts.items() if n > MOST_FLAT_FILES]


def class_for_two_things(package: Path) -> list[str]:
    """Find public class names that stand for two things."""
    homes: dict[str, list[str]] = {}
    for path, tree in modules(package):
        for node in tree.body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                homes.setdefault(node.name, []).append(path.relative_to(package).as_posix())
    return [f"{name}: {', '.join(found)}" for name, found in homes.items() if len(found) > 1]


def file_for_two_things(package: Path) -> list[str]:
    """Find file names that repeat for another subject."""
    names = Counter(path.name for path, _ in modules(package) if not path.name.startswith("__"))
    return [name for name, n in names.items() if n > 1 and name not in SAME_SUBJECT]


def room_named_like_a_function(package: Path) -> list[str]:
    """Find rooms with the name of a public function, which they would hide."""
    tree = ast.parse((package / "__init__.py").read_text("utf-8"))
    public: set[str] = set()
    for node in tree.body:
        if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "__all__":
            public = set(ast.literal_eval(node.value))
    return sorted({room_of(path, package) for path, _ in modules(package)} & public)


RULES: tuple[Callable[[Path], list[str]], ...] = (
    against_the_flow,
    from_below,
    against_the_order_on_top,
    simulator_in_use,
    library_away_from_home,
    impure,
    past_the_face,
    private_module,
    crowded,
    class_for_two_things,
    file_for_two_things,
    room_named_like_a_function,
)
BREACHES = {
    "against_the_flow": {"decode/a.py": "from canassist.report import x"},
    "from_below": {"model/a.py": "def f():\n    import canassist.decode"},
    "against_the_order_on_top": {"screen/a.py": "from canassist import web"},
    "simulator_in_use": {"detect/a.py": "from canassist.demo import RIDES"},
    "library_away_from_home": {"conclude/a.py": "import plotly.graph_objects"},
    "impure": {"conclude/a.py": "from pathlib import Path"},
    "past_the_face": {"web/a.py": "from canassist.report.page.masks import mask_vins"},
    "private_module": {"cli/a.py": "from canassist._x import y"},
    "crowded": {f"cli/f{n}.py": "" for n in range(MOST_FLAT_FILES + 1)},
    "class_for_two_things": {"cli/a.py": "class Ride: ...", "web/b.py": "class Ride: ..."},
    "file_for_two_things": {"cli/a.py": "", "web/a.py": ""},
    "room_named_like_a_function": {"compare/a.py": ""},
}


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.__name__)
def test_the_house_keeps_its_rules(project_root: Path, rule: Callable[[Path], list[str]]) -> None:
    assert rule(project_root / "canassist") == []


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.__name__)
def test_a_planted_breach_is_seen(tmp_path: Path, rule: Callable[[Path], list[str]]) -> None:
    package = tmp_path / "canassist"
    package.mkdir()
    (package / "__init__.py").write_text('__all__ = ["compare"]\n')
    assert rule(package) == []
    for name, text in BREACHES[rule.__name__].items():
        (package / name).parent.mkdir(exist_ok=True)
        (package / name).write_text(text + "\n")
    assert rule(package) != []
