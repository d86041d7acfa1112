"""The changes that are tried, and which statement each of them stands in."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[3]

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
    """Yield every change of a file that the tool knows; docstrings, hints, decorators stay."""
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
    elif isinstance(node, ast.FunctionDef | ast.ClassDef):
        yield from node.decorator_list
        if isinstance(node, ast.FunctionDef) and node.returns:
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


@dataclass(frozen=True)
class Statement:
    """Where a change stands: its lines, and whether it acts when a call runs or at import.

    ``name`` is the constant that an import-time statement sets, empty where it sets none.
    """

    first: int
    last: int
    at_import: bool
    name: str = ""


def statement_of(tree: ast.Module, line: int) -> Statement:
    """Return the innermost statement of a line, without the body of a compound one."""
    outer = [
        node
        for node in ast.walk(tree)
        if isinstance(node, ast.stmt) and _first(node) <= line <= (node.end_lineno or 0)
    ]
    best = max(outer, key=lambda one: (_first(one), -(one.end_lineno or 0)))
    body = getattr(best, "body", None)
    last = min(body[0].lineno - 1, best.end_lineno or 0) if body else best.end_lineno or 0
    inside = [one for one in outer if isinstance(one, ast.FunctionDef) and one is not best]
    named = best.targets[0] if isinstance(best, ast.Assign) else getattr(best, "target", None)
    name = named.id if isinstance(named, ast.Name) and len(outer) == 1 else ""
    return Statement(_first(best), max(last, line), not inside, name)


def _first(node: ast.stmt) -> int:
    decorators = getattr(node, "decorator_list", [])
    return min([node.lineno, *(one.lineno for one in decorators)])


def uses_of(name: str, trees: dict[Path, ast.Module]) -> Iterator[tuple[Path, Statement]]:
    """Yield every statement that runs in a call and reads a constant, by way of others too."""
    seen, wanted = {name}, [name]
    while wanted:
        looked = wanted.pop()
        for file, tree in trees.items():
            for node in ast.walk(tree):
                read = isinstance(node, ast.Name) and node.id == looked
                if not read or not isinstance(node.ctx, ast.Load):
                    continue
                stands = statement_of(tree, node.lineno)
                if not stands.at_import:
                    yield file, stands
                elif stands.name and stands.name not in seen:
                    seen.add(stands.name)
                    wanted.append(stands.name)
