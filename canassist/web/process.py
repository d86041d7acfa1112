"""Starts a worker process, listens to it, and ends it when it takes too long."""

from __future__ import annotations

import asyncio
import json
import os
import sys
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Callable

Order = dict[str, Any]  # Any: plain JSON values
Outcome = dict[str, Any]  # Any: the same

_LINE_BYTES: Final = 1 << 20
_LAST_WORDS: Final = 4000
_ONE_THREAD: Final = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


@dataclass(slots=True)
class Worker:
    """One worker process.

    Parameters
    ----------
    order : dict
        What it shall do; see `canassist.web.worker`.
    time_s : float
        It is ended after this long.
    """

    order: Order
    time_s: float
    _process: asyncio.subprocess.Process | None = None
    _killed: bool = False

    async def run(self, told: Callable[[str, float, float], None]) -> Outcome:
        """Do the work and return its outcome.

        Parameters
        ----------
        told : callable
            Called with stage, done and total as the work goes on.

        Returns
        -------
        dict
            One of ``done``, ``refused``, ``too_big``, ``broken``, ``too_long``, ``died``.
        """
        environment = os.environ | dict.fromkeys(_ONE_THREAD, "1")
        self._process = process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-m",
            "canassist.web.worker",
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
            limit=_LINE_BYTES,
            env=environment,
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
            await process.wait()
            _close(process)
        text = await last_words
        return outcome if outcome else {"died": f"status {process.returncode}; {text}"}

    async def _listen(
        self, process: asyncio.subprocess.Process, told: Callable[[str, float, float], None]
    ) -> Outcome:
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
            with suppress(ProcessLookupError):
                self._process.kill()


async def _last_words(stream: asyncio.StreamReader | None) -> str:
    """Return the end of what a worker wrote to standard error."""
    kept = b""
    while stream is not None and (data := await stream.read(1 << 16)):
        kept = (kept + data)[-_LAST_WORDS:]
    return kept.decode("utf-8", "replace")


def _close(process: asyncio.subprocess.Process) -> None:
    if process.stdin is not None:
        process.stdin.close()
