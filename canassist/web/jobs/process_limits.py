"""Bounds that a worker puts on itself: low priority, bounded memory, no process left behind.

What a system does not offer is left out; the time of a worker is bounded by the server.
"""

from __future__ import annotations

import ctypes
import importlib
import os
import signal
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

LOWER_BY: Final = 15
_FIRST_TO_GO: Final = "800"
_KILL_SIGNAL: Final = getattr(signal, "SIGKILL", signal.SIGTERM)

_JOB_EXTENDED_LIMITS: Final = 9
_JOB_PROCESS_MEMORY: Final = 0x100
_JOB_KILL_ON_CLOSE: Final = 0x2000


def step_back(memory_bytes: int) -> None:
    """Work at low priority and within bounded memory, as far as the system offers it.

    Parameters
    ----------
    memory_bytes : int
        Most memory; 0 sets no bound.
    """
    if hasattr(os, "nice"):
        os.nice(LOWER_BY)
    with suppress(OSError):  # where memory runs out all the same, a worker goes, not the page
        Path("/proc/self/oom_score_adj").write_text(_FIRST_TO_GO, encoding="ascii")
    if os.name == "nt":
        _bound_by_job(memory_bytes)
    elif memory_bytes:
        _bound_by_limit(memory_bytes)


def end_group(leader: int) -> None:
    """End a process that leads its own group, with every process that it started.

    On Windows there are no such groups; a worker's job object ends its processes there.
    """
    if hasattr(os, "killpg"):
        with suppress(ProcessLookupError, PermissionError):
            os.killpg(leader, _KILL_SIGNAL)


def end_myself() -> None:
    """End this process at once, with every process that it started."""
    if hasattr(os, "getpgrp") and os.getpgrp() == os.getpid():
        end_group(os.getpid())
    os._exit(1)


def _bound_by_limit(memory_bytes: int) -> None:
    """Bound the addresses that this process may use; not every Unix lets it."""
    with suppress(ImportError, ValueError, OSError):
        resource: Any = importlib.import_module("resource")  # Any: not on every system
        _, hardest = resource.getrlimit(resource.RLIMIT_AS)
        if hardest != resource.RLIM_INFINITY:
            memory_bytes = min(memory_bytes, hardest)
        resource.setrlimit(resource.RLIMIT_AS, (memory_bytes, memory_bytes))


class _BasicLimits(ctypes.Structure):
    _fields_ = (
        ("per_process_user_time", ctypes.c_int64),
        ("per_job_user_time", ctypes.c_int64),
        ("flags", ctypes.c_uint32),
        ("least_working_set", ctypes.c_size_t),
        ("most_working_set", ctypes.c_size_t),
        ("most_processes", ctypes.c_uint32),
        ("affinity", ctypes.c_size_t),
        ("priority_class", ctypes.c_uint32),
        ("scheduling_class", ctypes.c_uint32),
    )


class JobLimits(ctypes.Structure):
    """What Windows is told of a job object: ``JOBOBJECT_EXTENDED_LIMIT_INFORMATION``."""

    _fields_ = (
        ("basic", _BasicLimits),
        ("io", ctypes.c_uint64 * 6),
        ("process_memory", ctypes.c_size_t),
        ("job_memory", ctypes.c_size_t),
        ("peak_process_memory", ctypes.c_size_t),
        ("peak_job_memory", ctypes.c_size_t),
    )


def _bound_by_job(memory_bytes: int) -> None:
    """Put this process into a job object: bounded memory, and its children end with it.

    The handle is kept by the process alone, so the job closes when the process ends.
    """
    with suppress(AttributeError, OSError):
        kernel: Any = ctypes.windll.kernel32  # type: ignore[attr-defined] # there on Windows only
        kernel.CreateJobObjectW.restype = ctypes.c_void_p
        kernel.GetCurrentProcess.restype = ctypes.c_void_p
        limits = JobLimits()
        limits.basic.flags = _JOB_KILL_ON_CLOSE
        if memory_bytes:
            limits.basic.flags |= _JOB_PROCESS_MEMORY
            limits.process_memory = memory_bytes
        job = ctypes.c_void_p(kernel.CreateJobObjectW(None, None))
        told = ctypes.byref(limits), ctypes.sizeof(limits)
        if job and kernel.SetInformationJobObject(job, _JOB_EXTENDED_LIMITS, *told):
            kernel.AssignProcessToJobObject(job, ctypes.c_void_p(kernel.GetCurrentProcess()))
