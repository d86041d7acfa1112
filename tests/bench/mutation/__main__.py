"""A drawn sample of breaks a room, each tried with the tests that run the broken line.

``python -m tests.bench.mutation physics --draw 200 --seed 1`` copies the package and its tests into
a temporary folder, collects the room's tests, notes which lines each of them runs, and then
changes one place at a time (a comparison, a sign, a number, an ``and``) and runs the tests of that
line, quickest first, until one fails. A break inside a function is swapped into a fork of the
process that has all loaded; one that acts at import is tried in a fork that has not. Survivors
are to be read one by one: some change nothing that anyone could see, the others want a test.

``--at FILE:LINE`` breaks one line in each way that there is; ``--tests`` names other tests than
the room's own; ``--out FILE`` keeps a line a break, and a second run goes on where it ends, with
``--again`` after trying its survivors once more. A break that changes nothing anyone could see
stands with its reason in ``equivalent.tsv`` and is not counted.
"""

from __future__ import annotations

import argparse
import ast
import hashlib
import importlib
import os
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

import pytest

from tests.bench.mutation.covered_lines import Coverage, measure
from tests.bench.mutation.forked_runs import Outcome, in_child, run_fresh, run_items, swap
from tests.bench.mutation.mutants import (
    ROOT,
    Mutant,
    Statement,
    files_of,
    mutants_of,
    statement_of,
    uses_of,
)

HEAVY = ("numpy", "can", "cantools", "cryptography", "jinja2")
"""Loaded before anything is forked: nothing in them is ever broken."""
BASELINE_S = 1800.0


@dataclass
class Run:
    """One room's breaks in a copy of the project."""

    folder: Path
    tests: list[str]
    most_s: float
    trees: dict[Path, ast.Module] = field(default_factory=dict)
    coverage: Coverage = field(default_factory=Coverage)

    def text(self, mutant: Mutant) -> tuple[str, str]:
        """Return a file as it is, and as the change makes it."""
        kept = (ROOT / mutant.file).read_bytes()
        changed = kept[: mutant.begin] + mutant.instead.encode() + kept[mutant.end :]
        return kept.decode(), changed.decode()

    def stands(self, mutant: Mutant) -> Statement:
        """Return the statement that a change stands in."""
        return statement_of(self.trees[mutant.file], mutant.line)

    def tests_of(self, mutant: Mutant) -> list[str]:
        """Return the tests of a change, quickest first, within the time that one may take."""
        stands = self.stands(mutant)
        places: Iterable[tuple[Path, Statement]] = [(mutant.file, stands)]
        if stands.at_import:
            everything = Statement(1, 10**6, at_import=True)
            used = list(uses_of(stands.name, self.trees)) if stands.name else []
            places = used or [(mutant.file, everything)]
        found: set[str] = set()
        for file, one in places:
            found |= self.coverage.tests_of(str(self.folder / file), one.first, one.last)
        seconds = self.coverage.seconds
        chosen, total = [], 0.0
        for test in sorted(found, key=lambda one: (seconds[one], one)):
            total += seconds[test]
            if chosen and total > self.most_s:
                break
            chosen.append(test)
        return chosen

    def seconds(self, tests: Iterable[str]) -> float:
        """Return the processor time that these tests took unbroken."""
        return sum(self.coverage.seconds[one] for one in tests)


class Collected:
    """The plugin of the process that has all loaded: it runs breaks instead of the tests."""

    def __init__(self, work: Callable[[pytest.Session], None]) -> None:
        self.work = work

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Do the work in place of the run."""
        self.work(session)
        return True


def collected(run: Run, work: Callable[[pytest.Session], None]) -> None:
    """Collect the tests in a fork and work there; forks of it run the tests."""
    pid = os.fork()
    if pid == 0:
        quiet = os.open(os.devnull, os.O_RDWR)
        os.dup2(quiet, 1)
        plugin = Collected(work)
        os._exit(pytest.main(["-q", "-p", "no:cacheprovider", *run.tests], plugins=[plugin]))
    if os.waitpid(pid, 0)[1] != 0:
        sys.exit("the tests could not be collected or run: see above")


def measured(run: Run) -> Coverage:
    """Return what each test runs, by one run without a break."""
    file = run.folder.parent / "coverage"
    files = {str(run.folder / one) for one in run.trees}

    def record() -> str:
        measure(found[0], files).save(file)
        return ""

    found: list[pytest.Session] = []

    def work(session: pytest.Session) -> None:
        found.append(session)
        in_child(record, BASELINE_S)

    collected(run, work)
    if not file.is_file():
        sys.exit("the unbroken tests could not be run")
    coverage = Coverage.load(file)
    if coverage.failed:
        sys.exit(f"fails before anything was broken: {', '.join(coverage.failed)}")
    return coverage


def try_each(run: Run, mutants: list[Mutant], tell: Callable[[Mutant, Outcome], None]) -> None:
    """Try every change: those in functions first, in forks that have all loaded."""
    at_import = [one for one in mutants if run.stands(one).at_import]
    in_functions = [one for one in mutants if one not in at_import]

    def work(session: pytest.Session) -> None:
        items = {item.nodeid: item for item in session.items}
        for mutant in in_functions:
            chosen = run.tests_of(mutant)

            def tried(mutant: Mutant = mutant, chosen: list[str] = chosen) -> str:
                swap(run.folder / mutant.file, *run.text(mutant))
                return run_items(session, [items[one] for one in chosen])

            tell(mutant, _tried(run, mutant, chosen, tried))

    if in_functions:
        collected(run, work)
    for mutant in at_import:
        chosen = run.tests_of(mutant)
        tell(mutant, _tried(run, mutant, chosen, lambda chosen=chosen: run_fresh(chosen)))


def _tried(run: Run, mutant: Mutant, chosen: list[str], work: Callable[[], str]) -> Outcome:
    """Break the copy on disk too, for what runs in processes of its own; put it back."""
    if not chosen:
        return Outcome(noticed=False, by="no test runs it")
    before, after = run.text(mutant)
    file = run.folder / mutant.file
    file.write_text(after, encoding="utf-8")
    try:
        return in_child(work, run.seconds(chosen))
    finally:
        file.write_text(before, encoding="utf-8")


def copy_to(folder: Path) -> None:
    """Copy what the tests need."""
    leave = shutil.ignore_patterns("__pycache__", ".*cache", ".hypothesis")
    for name in ("canassist", "tests", "dbc_demo", "sample_logs"):
        shutil.copytree(ROOT / name, folder / name, ignore=leave)
    for name in ("pyproject.toml", "README.md", "DEVELOPERS.md", "CHANGELOG.md"):
        shutil.copy(ROOT / name, folder / name)
    shared = ROOT.parent / "shared"
    if shared.is_dir():
        (folder.parent / "shared").symlink_to(shared)


def chosen_of(options: argparse.Namespace) -> list[Mutant]:
    """Return the drawn changes, or all of the lines asked for.

    Each change has a number of its own, made from the seed and its line's text: what is edited
    elsewhere leaves the sample as it is.
    """
    every: dict[Mutant, str] = {}
    for file in files_of(options.room):
        text = (ROOT / file).read_text("utf-8")
        for one in mutants_of(file, text):
            own = f"{options.seed}\t{in_its_line(one)}"
            every[one] = hashlib.sha256(own.encode()).hexdigest()
    if options.at:
        return [one for one in every if f"{one.file}:{one.line}" in options.at]
    return sorted(sorted(every, key=lambda one: every[one])[: options.draw])


def options_of(arguments: list[str] | None = None) -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.mutation", description=__doc__)
    parser.add_argument("room", help="a room or file under canassist, such as decode/signals")
    parser.add_argument("--draw", type=int, default=40, help="changes to try")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--at", action="append", help="FILE:LINE instead of a drawn sample")
    parser.add_argument("--tests", nargs="+", help="default: the room's own tests")
    parser.add_argument("--most", type=float, default=20.0, help="seconds of tests a change")
    parser.add_argument("--out", type=Path, help="keeps a line a change; goes on where it ends")
    parser.add_argument("--again", action="store_true", help="try the survivors in --out again")
    return parser.parse_args(arguments)


class Results:
    """The lines told so far, on the screen and in a file."""

    def __init__(self, out: Path, *, again: bool = False) -> None:
        self.out = out
        out.touch()
        lines = [one.split("\t") for one in out.read_text("utf-8").splitlines()]
        kept = [line for line in lines if not again or line[0] != "alive"]
        out.write_text("".join("\t".join(line) + "\n" for line in kept), encoding="utf-8")
        self.told = {shown: word for word, shown, _ in kept}

    def add(self, mutant: Mutant, outcome: Outcome) -> None:
        """Tell of one change; a survivor is printed."""
        shown = self.shown(mutant)
        word = "noticed" if outcome.noticed else "alive"
        with self.out.open("a", encoding="utf-8") as out:
            out.write(f"{word}\t{shown}\t{outcome.by}\n")
        if not outcome.noticed:
            print(f"{shown}  ({outcome.by})", file=sys.stderr, flush=True)

    @staticmethod
    def shown(mutant: Mutant) -> str:
        """Return a change in one line without tabs."""
        return mutant.shown((ROOT / mutant.file).read_text("utf-8")).replace("\t", " ")


def equivalent() -> frozenset[str]:
    """Return the changes that nobody could see: file, change and the line as it is."""
    text = Path(__file__).with_name("equivalent.tsv").read_text("utf-8")
    return frozenset("\t".join(line.split("\t")[:3]) for line in text.splitlines())


@cache
def _text(file: Path) -> str:
    return (ROOT / file).read_text("utf-8")


def in_its_line(mutant: Mutant) -> str:
    """Return a change's file, what it does and the line it stands in, without its number."""
    text = _text(mutant.file)
    change = mutant.shown(text).split(":", 2)[2].strip()
    return f"{mutant.file}\t{change}\t{text.splitlines()[mutant.line - 1].strip()}"


def main() -> int:
    """Print the survivors and the share that was noticed."""
    options = options_of()
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary).resolve() / "project"
        folder.mkdir()
        copy_to(folder)
        os.chdir(folder)
        sys.path[:] = [str(folder), *(one for one in sys.path if one not in {"", str(ROOT)})]
        sys.dont_write_bytecode = True
        for name in [one for one in sys.modules if one.split(".")[0] == "tests"]:
            del sys.modules[name]  # the copy's tests are meant from here on
        for name in HEAVY:
            importlib.import_module(name)
        results = Results(options.out or Path(temporary) / "results", again=options.again)
        mutants = chosen_of(options)
        same = equivalent()
        told_of = [one for one in mutants if in_its_line(one) not in same]
        left = [one for one in told_of if results.shown(one) not in results.told]
        room = options.room.split("/")[0]
        trees = {one: ast.parse((ROOT / one).read_text("utf-8")) for one in files_of(room)}
        run = Run(folder, options.tests or [f"tests/{room}"], options.most, trees)
        if left:
            run.coverage = measured(run)
            try_each(run, left, results.add)
        told = Results(results.out).told
    noticed = sum(told[results.shown(one)] == "noticed" for one in told_of)
    drawn = f"{len(mutants)} drawn, {len(mutants) - len(told_of)} equivalent"
    print(f"{options.room}: seed {options.seed}, {drawn}, {noticed} of {len(told_of)} noticed")
    return 0


if __name__ == "__main__":
    sys.exit(main())
