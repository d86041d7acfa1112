"""Which lines of a room each test runs, those of its fixtures and cached helpers included."""

from __future__ import annotations

import functools
import pickle
import sys
import threading
import time
from collections import defaultdict
from collections.abc import Callable, Hashable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import Any

import pytest

Line = tuple[str, int]


@dataclass
class Coverage:
    """Lines by test, and the processor time of each test in seconds."""

    lines: dict[str, set[Line]] = field(default_factory=dict)
    seconds: dict[str, float] = field(default_factory=dict)
    failed: list[str] = field(default_factory=list)

    def tests_of(self, file: str, first: int, last: int) -> set[str]:
        """Return the tests that run one of these lines."""
        wanted = {(file, line) for line in range(first, last + 1)}
        return {test for test, lines in self.lines.items() if not wanted.isdisjoint(lines)}

    def save(self, file: Path) -> None:
        """Write it for another process."""
        file.write_bytes(pickle.dumps((self.lines, self.seconds, self.failed)))

    @staticmethod
    def load(file: Path) -> Coverage:
        """Read what `save` wrote."""
        return Coverage(*pickle.loads(file.read_bytes()))  # noqa: S301 - our own file


class LineRecorder:
    """Notes the lines that run, for whatever has begun to record last.

    What a shared fixture or a cached helper runs is noted once, for each: every test that asks
    for it is then taken to run these lines, though only the first one did.
    """

    def __init__(self, files: set[str]) -> None:
        self.files = files
        self.lines: dict[object, set[Line]] = defaultdict(set)
        self.used: dict[object, set[object]] = defaultdict(set)
        self.stack: list[object] = []

    def start(self) -> None:
        """Begin to look at every line; threads too."""
        threading.settrace(self._call)
        sys.settrace(self._call)

    @staticmethod
    def stop() -> None:
        """Look no more."""
        sys.settrace(None)
        threading.settrace(None)  # type: ignore[arg-type]  # None is how it is taken off

    @contextmanager
    def on(self, what: object) -> Iterator[None]:
        """Note lines for this one; who asked for it uses it from now on."""
        if self.stack:
            self.used[self.stack[-1]].add(what)
        self.stack.append(what)
        try:
            yield
        finally:
            self.stack.pop()

    def of(self, what: object, seen: set[object] | None = None) -> set[Line]:
        """Return the lines of this one and of all that it used."""
        seen = set() if seen is None else seen
        seen.add(what)
        found = set(self.lines[what])
        for part in self.used[what] - seen:
            found |= self.of(part, seen)
        return found

    def _call(self, frame: FrameType, _event: str, _arg: object) -> Callable[..., Any] | None:
        return self._line if frame.f_code.co_filename in self.files and self.stack else None

    def _line(self, frame: FrameType, event: str, _arg: object) -> Callable[..., Any]:
        if event == "line" and self.stack:
            self.lines[self.stack[-1]].add((frame.f_code.co_filename, frame.f_lineno))
        return self._line


def watch_caches(recorder: LineRecorder) -> None:
    """Put each cached helper of the loaded modules behind one that notes its use."""
    watched: dict[int, object] = {}
    for module in list(sys.modules.values()):
        if not getattr(module, "__name__", "").startswith(("tests", "canassist")):
            continue
        for name, value in list(vars(module).items()):
            if isinstance(value, functools._lru_cache_wrapper):
                if id(value) not in watched:
                    watched[id(value)] = _watched(value, recorder)
                setattr(module, name, watched[id(value)])


def _watched(cached: Callable[..., Any], recorder: LineRecorder) -> Callable[..., Any]:
    @functools.wraps(cached)
    def call(*args: Hashable, **options: Hashable) -> object:
        with recorder.on((id(cached), args, tuple(options.items()))):
            return cached(*args, **options)

    for name in ("cache_clear", "cache_info"):
        setattr(call, name, getattr(cached, name))
    return call


class Watch:
    """The plugin that records the run without a break."""

    def __init__(self, recorder: LineRecorder) -> None:
        self.recorder = recorder

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(
        self, fixturedef: pytest.FixtureDef[Any], request: pytest.FixtureRequest
    ) -> Iterator[None]:
        """Note a fixture's lines for itself."""
        with self.recorder.on(id(fixturedef)):
            yield


def measure(session: pytest.Session, files: set[str]) -> Coverage:
    """Run every test once and return what each of them runs."""
    recorder = LineRecorder(files)
    session.config.pluginmanager.register(Watch(recorder))
    watch_caches(recorder)
    found = Coverage()
    items = session.items
    recorder.start()
    for item, following in zip(items, [*items[1:], None], strict=True):
        failed, began = session.testsfailed, time.process_time()
        with recorder.on(item.nodeid):
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
        found.seconds[item.nodeid] = time.process_time() - began
        if session.testsfailed > failed:
            found.failed.append(item.nodeid)
    recorder.stop()
    for item in items:
        fixtures = item._fixtureinfo.name2fixturedefs.values()  # type: ignore[attr-defined]
        recorder.used[item.nodeid] |= {id(one) for several in fixtures for one in several}
        found.lines[item.nodeid] = recorder.of(item.nodeid)
    return found
