"""Starts a worker process, listens to it, and ends it when it takes too long."""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from canassist.web.jobs.process_limits import end_group

if TYPE_CHECKING:
    from collections.abc import Callable

    Told = Callable[[str, float, float, int | None], None]

Order = dict[str, Any]  # Any: plain JSON values
Outcome = dict[str, Any]  # Any: the same

_LINE_BYTES: Final = 1 << 20
_LAST_WORDS: Final = 4000
_LAST_WORDS_S: Final = 5.0
_NO_MEMORY: Final = ("MemoryError", "Memory allocation", "bad_alloc", "Cannot allocate memory")
"""Last words of a process that libraries below Python ended for lack of memory."""

_ONE_THREAD: Final = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


@dataclass(slots=True)
class Worker:
    """One worker process.

    Parameters
    ----------
    order : dict
        What it shall do; see `canassist.web.jobs.worker`.
    time_s : float
        It is ended after this long.
    """

    order: Order
    time_s: float
    _process: asyncio.subprocess.Process | None = None
    _killed: bool = False

    async def run(self, told: Told) -> Outcome:
        """Do the work and return its outcome.

        Parameters
        ----------
        told : callable
            Called with stage, done, total and frames as the work goes on.

        Returns
        -------
        dict
            One of ``done``, ``refused``, ``too_big``, ``disk_full``, ``broken``, ``too_long``,
            ``died``.
        """
        environment = os.environ | dict.fromkeys(_ONE_THREAD, "1")
        self._process = process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-m",
            "canassist.web.jobs.worker",
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
            limit=_LINE_BYTES,
            env=environment,
            start_new_session=True,  # so that what it starts can be ended with it
            creationflags=_creation_flags(),
        )
        if self._killed:
            self.kill()
        last_words = asyncio.create_task(_last_words(process.stderr))
        try:
            async with asyncio.timeout(self.time_s):
                outcome = await self._listen(process, told)
        except TimeoutError:
            outcome = {"too_long": True}
        finally:
            self.kill()
            end_group(process.pid)
            await process.wait()
            _close(process)
        text = ""
        with suppress(TimeoutError):  # a process that it left behind may hold the pipe open
            text = await asyncio.wait_for(last_words, _LAST_WORDS_S)
        if outcome:
            return outcome
        if any(sign in text for sign in _NO_MEMORY):
            return {"too_big": True}
        return {"died": f"status {process.returncode}; {text}"}

    async def _listen(self, process: asyncio.subprocess.Process, told: Told) -> Outcome:
        assert process.stdin is not None  # noqa: S101 - asked for above
        assert process.stdout is not None  # noqa: S101 - asked for above
        with suppress(ConnectionError):
            process.stdin.write(json.dumps(self.order).encode() + b"\n")
            await process.stdin.drain()
        while line := await process.stdout.readline():
            message: Outcome = json.loads(line)
            if "step" in message:
                told(*message["step"])
            else:
                return message
        return {}

    def kill(self) -> None:
        """End it now, started or not."""
        self._killed = True
        if self._process is not None and self._process.returncode is None:
            end_group(self._process.pid)
            with suppress(ProcessLookupError):
                self._process.kill()


def _creation_flags() -> int:
    """Return what Windows needs to start a worker at low priority and without a window."""
    names = ("BELOW_NORMAL_PRIORITY_CLASS", "CREATE_NO_WINDOW")
    return sum(getattr(subprocess, name, 0) for name in names)


async def _last_words(stream: asyncio.StreamReader | None) -> str:
    """Return the end of what a worker wrote to standard error."""
    kept = b""
    while stream is not None and (data := await stream.read(1 << 16)):
        kept = (kept + data)[-_LAST_WORDS:]
    return kept.decode("utf-8", "replace")


def _close(process: asyncio.subprocess.Process) -> None:
    if process.stdin is not None:
        process.stdin.close()
