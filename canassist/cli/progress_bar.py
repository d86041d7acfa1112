"""A progress bar on standard error, where somebody watches and work takes long."""

from __future__ import annotations

import sys
import time
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.progress import Progress as RichBar
    from rich.progress import TaskID

    from canassist.model import Progress, Step

PATIENCE_S: Final = 0.5
"""Work shorter than this shows no bar."""

LABELS: Final = {"reading": "Reading the log", "judging": "Weighing the causes"}


@contextmanager
def bar() -> Iterator[Progress]:
    """Give a `Progress` that draws a bar, or a silent one where nobody watches."""
    from canassist.model import silent

    if not sys.stderr.isatty():
        yield silent
        return
    shown = _Bar()
    try:
        yield shown
    finally:
        shown.close()


class _Bar:
    """Draws with rich, which is imported only when work turns out to take long."""

    def __init__(self) -> None:
        self._begun_s = time.monotonic()
        self._bar: RichBar | None = None
        self._tasks: dict[str, TaskID] = {}

    def __call__(self, step: Step, /) -> None:
        if self._bar is None:
            if time.monotonic() - self._begun_s < PATIENCE_S:
                return
            self._bar = _start()
        if step.stage not in self._tasks:
            label = LABELS.get(step.stage, step.stage)
            self._tasks[step.stage] = self._bar.add_task(label, total=step.total or None)
        self._bar.update(self._tasks[step.stage], completed=step.done)

    def close(self) -> None:
        if self._bar is not None:
            self._bar.stop()


def _start() -> RichBar:
    from rich.console import Console
    from rich.progress import Progress as RichBar

    shown = RichBar(console=Console(stderr=True), transient=True)
    shown.start()
    return shown
