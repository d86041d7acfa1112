"""Breaks the code on purpose, a drawn sample a room, and tells which breaks no test notices.

``python -m tests.bench.mutation physics --draw 40 --seed 1`` copies the package and its tests into
a temporary folder, changes one place at a time (a comparison, a sign, a number, an ``and``), runs
the room's tests until the first one fails and lists the survivors, to be read one by one: some
change nothing that anyone could see, the others want a test. ``--at FILE:LINE`` breaks one line in
each way that there is. Other tests than the room's own are named with ``--tests``.
"""

from __future__ import annotations

import argparse
import ast
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[2]
LEAST_TIMEOUT_S: Final = 30.0
SLOWER: Final = 5.0
"""A break that makes the tests run so many times longer counts as noticed."""

_COMPARED: Final = {
    ast.Lt: "<=", ast.LtE: "<", ast.Gt: ">=", ast.GtE: ">",
    ast.Eq: "!=", ast.NotEq: "==", ast.Is: "is not", ast.IsNot: "is",
    ast.In: "not in", ast.NotIn: "in",
}  # fmt: skip
_COMPUTED: Final = {
    ast.Add: "-", ast.Sub: "+", ast.Mult: "/", ast.Div: "*", ast.FloorDiv: "/", ast.Mod: "*",
    ast.BitAnd: "|", ast.BitOr: "&", ast.LShift: ">>", ast.RShift: "<<", ast.Pow: "*",
}  # fmt: skip
_CALLED: Final = {"max": "min", "min": "max", "any": "all", "all": "any"}


@dataclass(frozen=True, order=True)
class Mutant:
    """One change: the text from `begin` to `end` of a file becomes `instead`."""

    file: Path
    line: int
    begin: int
    end: int
    instead: str

    def shown(self, text: str) -> str:
        """Return the place and the change in one line."""
        was = " ".join(text.encode()[self.begin : self.end].decode().split())
        now = " ".join(self.instead.split())
        return f"{self.file}:{self.line}: {was[:60]}  ->  {now[:60]}"


def mutants_of(file: Path, text: str) -> Iterator[Mutant]:
    """Yield every change of a file that the tool knows; docstrings and hints stay."""
    starts = [0]
    for line in text.encode().splitlines(keepends=True):
        starts.append(starts[-1] + len(line))

    def part(node: ast.expr, instead: str) -> Mutant:
        begin = starts[node.lineno - 1] + node.col_offset
        end = starts[(node.end_lineno or 1) - 1] + (node.end_col_offset or 0)
        return Mutant(file, node.lineno, begin, end, instead)

    tree = ast.parse(text)
    hints = {id(one) for node in ast.walk(tree) for hint in _hints(node) for one in ast.walk(hint)}
    for node in ast.walk(tree):
        if isinstance(node, ast.expr) and id(node) not in hints:
            for instead in _changes(node, text):
                yield part(node, instead)


def _hints(node: ast.AST) -> Iterator[ast.AST]:
    if isinstance(node, ast.AnnAssign | ast.arg) and node.annotation:
        yield node.annotation
    elif isinstance(node, ast.FunctionDef) and node.returns:
        yield node.returns
    elif isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
        yield from (node.test, *node.body)


def _changes(node: ast.expr, text: str) -> Iterator[str]:  # noqa: C901 - one case a kind
    def of(one: ast.expr) -> str:
        return ast.get_source_segment(text, one) or ast.unparse(one)

    match node:
        case ast.Compare(left=left, ops=[compared], comparators=[right]):
            yield f"{of(left)} {_COMPARED[type(compared)]} {of(right)}"
        case ast.BinOp(left=left, op=op, right=right) if type(op) in _COMPUTED:
            yield f"({of(left)} {_COMPUTED[type(op)]} {of(right)})"
        case ast.BoolOp(op=joined, values=values):
            other = " or " if isinstance(joined, ast.And) else " and "
            yield f"({other.join(of(one) for one in values)})"
        case ast.UnaryOp(op=ast.Not() | ast.USub() | ast.Invert(), operand=operand):
            yield of(operand)
        case ast.IfExp(test=test, body=body, orelse=orelse):
            yield f"({of(orelse)} if {of(test)} else {of(body)})"
        case ast.Constant(value=bool(flag)):
            yield str(not flag)
        case ast.Constant(value=int(number)):
            yield repr(number + 1)
        case ast.Constant(value=float(number)):
            yield repr(number * 1.1 or 0.1)
        case ast.Call(func=ast.Name(id=name)) if name in _CALLED:
            yield of(node).replace(name, _CALLED[name], 1)


def files_of(room: str) -> list[Path]:
    """Return a room's files, as paths from the project's top."""
    top = ROOT / "canassist" / room
    found = sorted(top.rglob("*.py")) if top.is_dir() else [top.with_suffix(".py")]
    return [one.relative_to(ROOT) for one in found]


def _copy(folder: Path) -> None:
    leave = shutil.ignore_patterns("__pycache__", ".*cache", ".hypothesis")
    for name in ("canassist", "tests", "dbc_demo", "sample_logs"):
        shutil.copytree(ROOT / name, folder / name, ignore=leave)
    for name in ("pyproject.toml", "README.md", "DEVELOPERS.md", "CHANGELOG.md"):
        shutil.copy(ROOT / name, folder / name)
    shared = ROOT.parent / "shared"
    if shared.is_dir():
        (folder.parent / "shared").symlink_to(shared)


def passes(folder: Path, tests: list[str], timeout_s: float | None = None) -> bool:
    """Run the tests on the copy; return whether all of them passed in time."""
    here = "import sys, pytest; sys.path.insert(0, '.'); sys.exit(pytest.main(sys.argv[1:]))"
    command = [sys.executable, "-B", "-c", here, "-x", "-q", "-p", "no:cacheprovider", *tests]
    quiet = subprocess.DEVNULL
    try:
        done = subprocess.run(
            command, cwd=folder, timeout=timeout_s, check=False, stdin=quiet, stdout=quiet,
            stderr=quiet,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return False
    return done.returncode == 0


def survives(folder: Path, mutant: Mutant, tests: list[str], timeout_s: float) -> bool:
    """Tell whether the tests pass although the change was made; the file is put back."""
    file = folder / mutant.file
    kept = file.read_bytes()
    file.write_bytes(kept[: mutant.begin] + mutant.instead.encode() + kept[mutant.end :])
    try:
        return passes(folder, tests, timeout_s)
    finally:
        file.write_bytes(kept)


def chosen(options: argparse.Namespace) -> list[Mutant]:
    """Return the drawn changes, or all of the lines asked for."""
    every = [
        mutant
        for file in files_of(options.room)
        for mutant in mutants_of(file, (ROOT / file).read_text("utf-8"))
    ]
    if options.at:
        return [one for one in every if f"{one.file}:{one.line}" in options.at]
    drawn = random.Random(options.seed).sample(every, min(options.draw, len(every)))  # noqa: S311
    return sorted(drawn)


def main() -> int:
    """Print the survivors and the share that was noticed; return how many survived."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("room", help="a room or file under canassist, such as decode/signals")
    parser.add_argument("--draw", type=int, default=40, help="changes to try")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--at", action="append", help="FILE:LINE instead of a drawn sample")
    parser.add_argument("--tests", nargs="+", help="default: the room's own tests")
    options = parser.parse_args()
    tests = options.tests or [f"tests/{options.room.split('/')[0]}"]
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary) / "project"
        folder.mkdir()
        _copy(folder)
        began = time.perf_counter()
        if not passes(folder, tests):
            sys.exit(f"{' '.join(tests)}: fails before anything was broken")
        timeout_s = max(LEAST_TIMEOUT_S, SLOWER * (time.perf_counter() - began))
        mutants, alive = chosen(options), 0
        for number, mutant in enumerate(mutants, 1):
            if survives(folder, mutant, tests, timeout_s):
                alive += 1
                print(mutant.shown((ROOT / mutant.file).read_text("utf-8")), flush=True)
            print(f"{number} of {len(mutants)}, {alive} unnoticed", end="\r", file=sys.stderr)
    noticed = len(mutants) - alive
    print(f"{options.room}: seed {options.seed}, {noticed} of {len(mutants)} noticed")
    return 0


if __name__ == "__main__":
    sys.exit(main())
