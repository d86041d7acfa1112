"""Runs chosen tests on broken code in a forked child, so that nothing is loaded twice."""

from __future__ import annotations

import gc
import os
import resource
import select
import signal
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from types import CodeType, FunctionType
from typing import Final, NamedTuple

import pytest

LEAST_CPU_S: Final = 4.0
SLOWER: Final = 4.0
"""A break that makes the tests take so many times the processor time counts as noticed."""
WALL: Final = 30.0
"""Waiting is cut off after so many times the processor time that is allowed."""


class Outcome(NamedTuple):
    """Whether a break was noticed, and by which test."""

    noticed: bool
    by: str


def in_child(work: Callable[[], str], seconds: float) -> Outcome:
    """Do it in a fork; it returns the name of the test that failed, or nothing.

    A child that dies or takes far longer than ``seconds`` has noticed the break.
    """
    reading, writing = os.pipe()
    pid = os.fork()
    if pid == 0:
        _child(work, seconds, writing)
    os.close(writing)
    waited = os.pidfd_open(pid)
    allowed_s = LEAST_CPU_S + SLOWER * seconds
    if not select.select([waited], [], [], WALL * allowed_s)[0]:
        os.kill(pid, signal.SIGKILL)
    os.waitpid(pid, 0)
    os.close(waited)
    with os.fdopen(reading, "rb") as said:
        text = said.read().decode()
    return Outcome(text != "passed", text or "the tests died or took too long")


def _child(work: Callable[[], str], seconds: float, writing: int) -> None:
    limit = int(LEAST_CPU_S + SLOWER * seconds) + 1
    resource.setrlimit(resource.RLIMIT_CPU, (limit, limit + 1))
    quiet = os.open(os.devnull, os.O_RDWR)
    for known in (0, 1, 2):
        os.dup2(quiet, known)
    said = "the tests could not be run"
    try:
        said = work() or "passed"
    except BaseException as error:
        said = f"{type(error).__name__} outside the tests"
    finally:
        os.write(writing, said.encode())
        os._exit(0)


def run_items(session: pytest.Session, items: Sequence[pytest.Item]) -> str:
    """Run collected tests until the first one fails; return its name, or nothing."""
    for item, following in zip(items, [*items[1:], None], strict=True):
        item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
        if session.testsfailed:
            return item.nodeid
    return ""


class FirstFailure:
    """Notes the first test that fails, or the file that cannot be collected."""

    def __init__(self) -> None:
        self.name = ""

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Note a failed test."""
        if report.failed and not self.name:
            self.name = report.nodeid

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        """Note a file that fails when it is imported."""
        if report.failed and not self.name:
            self.name = f"collecting {report.nodeid}"


def run_fresh(arguments: Sequence[str]) -> str:
    """Collect and run tests in a process that has not loaded the package yet."""
    first = FirstFailure()
    status = pytest.main(["-x", "-q", "-p", "no:cacheprovider", *arguments], plugins=[first])
    return first.name or ("" if status == 0 else f"pytest ended with status {status}")


def swap(file: Path, before: str, after: str) -> None:
    """Give each living function of a file the code that it has in the changed text."""
    name = str(file)
    old = list(_codes(compile(before, name, "exec", dont_inherit=True)))
    new = list(_codes(compile(after, name, "exec", dont_inherit=True)))
    if len(old) != len(new):
        message = f"{name}: the change adds or takes away a function"
        raise ValueError(message)
    changed = {
        (was.co_qualname, was.co_firstlineno): now
        for was, now in zip(old, new, strict=True)
        if was != now
    }
    for one in gc.get_objects():
        if isinstance(one, FunctionType) and one.__code__.co_filename == name:
            code = one.__code__
            now = changed.get((code.co_qualname, code.co_firstlineno))
            if now is not None:
                one.__code__ = now


def _codes(code: CodeType) -> Iterator[CodeType]:
    yield code
    for one in code.co_consts:
        if isinstance(one, CodeType):
            yield from _codes(one)
