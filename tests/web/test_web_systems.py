"""What stands in where a system lacks something: locks, limits, groups of processes."""

from __future__ import annotations

import asyncio
import ctypes
import errno
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest

from canassist.errors import OutputError, UsageError
from canassist.web.http.listening import listening_socket
from canassist.web.http.refusal import is_out_of_memory
from canassist.web.jobs import process_limits, worker_process
from canassist.web.jobs.worker_process import Outcome, Worker
from canassist.web.settings import GIB, PageLimits
from canassist.web.store import folder_lock
from canassist.web.store.content_files import Blobs, place_under_name
from canassist.web.store.folder_lock import FolderLock

if TYPE_CHECKING:
    from tests.web.conftest import Inside

Until = Callable[[Callable[[], bool]], None]
MIB = 1 << 20


@pytest.mark.parametrize(("on_a_build_server", "status"), [("true", 1), ("", 0)])
def test_browser_that_is_missing_fails_a_build_and_skips_elsewhere(
    project_root: Path, tmp_path: Path, on_a_build_server: str, status: int
) -> None:
    tried = "tests/web/test_web_newcomer.py::test_wrong_file_is_told_in_its_row_with_what_to_do"
    known = {name: value for name, value in os.environ.items() if name != "CANASSIST_BROWSER"}
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", tried],
        cwd=project_root, env=known | {"PATH": str(tmp_path), "CI": on_a_build_server},
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == status, done.stdout
    said = "a build server must have a browser" if status else "1 skipped"
    assert said in done.stdout


def test_folder_is_held_by_one_and_free_again(tmp_path: Path) -> None:
    first = FolderLock(tmp_path)
    with pytest.raises(UsageError, match="already using this folder"):
        FolderLock(tmp_path)
    first.release()
    FolderLock(tmp_path).release()


class _WindowsLocks:
    """What Python's module of that system does with a byte of a file."""

    LK_NBLCK = 2

    def __init__(self) -> None:
        self.held: set[int] = set()

    def locking(self, handle: int, mode: int, count: int) -> None:
        assert (mode, count) == (self.LK_NBLCK, 1)
        place = os.fstat(handle).st_ino
        if place in self.held:
            raise PermissionError(errno.EACCES, "Permission denied")
        self.held.add(place)


def test_folder_is_held_by_the_means_of_windows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(folder_lock, "os", SimpleNamespace(name="nt"))
    monkeypatch.setitem(sys.modules, "msvcrt", _WindowsLocks())
    first = FolderLock(tmp_path)
    with pytest.raises(UsageError, match="already using this folder"):
        FolderLock(tmp_path)
    first.release()


def test_disk_without_locks_is_told_as_that(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(handle: int) -> None:
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr(folder_lock, "_lock", refuse)
    with pytest.raises(OutputError, match="No locks available"):
        FolderLock(tmp_path)


def test_folder_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / "in_use.lock").mkdir()
    with pytest.raises(OutputError, match="cannot be used for data"):
        FolderLock(tmp_path)


class _Kernel:
    """Records what a worker asks of Windows."""

    def __init__(self) -> None:
        self.limits = process_limits.JobLimits()
        self.assigned: list[int] = []

        def create(security: None, name: None) -> int:
            return 77

        def current() -> int:
            return 99

        def inform(job: ctypes.c_void_p, kind: int, limits: Any, size: int) -> int:  # noqa: ANN401 - a reference
            assert (job.value, kind, size) == (77, 9, ctypes.sizeof(process_limits.JobLimits))
            self.limits = limits._obj
            return 1

        def assign(job: ctypes.c_void_p, of: ctypes.c_void_p) -> int:
            self.assigned = [job.value or 0, of.value or 0]
            return 1

        self.CreateJobObjectW = create
        self.GetCurrentProcess = current
        self.SetInformationJobObject = inform
        self.AssignProcessToJobObject = assign


@pytest.mark.skipif(ctypes.sizeof(ctypes.c_void_p) != 8, reason="the size is that of 64 bits")
def test_job_limits_are_laid_out_as_windows_has_them() -> None:
    """64-bit Windows: 64 bytes of basic limits, six counters of 8, four sizes of 8; from memory."""
    assert ctypes.sizeof(process_limits.JobLimits) == 64 + 48 + 32
    assert process_limits.JobLimits.process_memory.offset == 112


@pytest.mark.parametrize(("memory", "flags"), [(3 << 30, 0x2100), (0, 0x2000)])
def test_worker_bounds_itself_by_a_job_on_windows(
    monkeypatch: pytest.MonkeyPatch, memory: int, flags: int
) -> None:
    kernel = _Kernel()
    monkeypatch.setattr(process_limits, "os", SimpleNamespace(name="nt"))
    monkeypatch.setattr(ctypes, "windll", SimpleNamespace(kernel32=kernel), raising=False)
    process_limits.step_back(memory)
    assert kernel.limits.basic.flags == flags
    assert kernel.limits.process_memory == memory
    assert kernel.assigned == [77, 99]


def test_worker_goes_on_where_nothing_can_be_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "resource", None)
    monkeypatch.delattr(ctypes, "windll", raising=False)
    for name in ("posix", "nt"):
        monkeypatch.setattr(process_limits, "os", SimpleNamespace(name=name))
        process_limits.step_back(3 << 30)
        process_limits.end_group(2**22 + 1)


@pytest.mark.parametrize(
    ("error", "is_one"),
    [
        (MemoryError(), True),
        (OSError(errno.ENOMEM, "Cannot allocate memory"), True),
        (ImportError("lib.so: failed to map segment from shared object"), True),
        (OSError(errno.ENOSPC, "No space left on device"), False),
        (ImportError("no such module"), False),
    ],
)
def test_lack_of_memory_is_told_from_other_trouble(error: Exception, is_one: bool) -> None:
    assert is_out_of_memory(error) is is_one


@pytest.mark.parametrize(("hardest", "set_to"), [(-1, 500 * MIB), (200 * MIB, 200 * MIB)])
def test_memory_is_bounded_no_higher_than_the_system_allows(
    monkeypatch: pytest.MonkeyPatch, hardest: int, set_to: int
) -> None:
    told: list[tuple[int, int]] = []
    stands_in = SimpleNamespace(
        RLIMIT_AS=9,
        RLIM_INFINITY=-1,
        getrlimit=lambda _: (hardest, hardest),
        setrlimit=lambda _, pair: told.append(pair),
    )
    monkeypatch.setitem(sys.modules, "resource", stands_in)
    monkeypatch.setattr(process_limits, "os", SimpleNamespace(name="posix"))
    process_limits.step_back(500 * MIB)
    assert told == [(set_to, set_to)]


def test_limit_that_a_system_refuses_is_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(kind: int, pair: tuple[int, int]) -> None:
        raise ValueError("current limit exceeds maximum limit")

    stands_in = SimpleNamespace(
        RLIMIT_AS=9, RLIM_INFINITY=-1, getrlimit=lambda _: (-1, -1), setrlimit=refuse
    )
    monkeypatch.setitem(sys.modules, "resource", stands_in)
    monkeypatch.setattr(process_limits, "os", SimpleNamespace(name="posix"))
    process_limits.step_back(500 * MIB)


def test_worker_is_started_low_and_without_a_window_on_windows(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert worker_process._creation_flags() == 0 or os.name == "nt"
    windows = SimpleNamespace(BELOW_NORMAL_PRIORITY_CLASS=0x4000, CREATE_NO_WINDOW=0x8000000)
    monkeypatch.setattr(worker_process, "subprocess", windows)
    assert worker_process._creation_flags() == 0x8004000


def test_port_is_exclusive_where_the_system_shares_ports(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    set_to: list[int] = []

    class Socket(listening_socket.__globals__["socket"].socket):  # type: ignore[misc] # the real one
        def setsockopt(self, *told: Any) -> None:  # noqa: ANN401 - as given
            set_to.append(told[1])

    module = listening_socket.__globals__["socket"]
    monkeypatch.setattr(module, "SO_EXCLUSIVEADDRUSE", -5, raising=False)
    monkeypatch.setattr(module, "socket", Socket)
    listening_socket("127.0.0.1", 0).close()
    assert set_to == [-5]


def test_kept_file_that_is_open_is_not_replaced(tmp_path: Path) -> None:
    blobs = Blobs(tmp_path)
    sha256 = blobs.keep_bytes(b"the same")
    before = blobs.path(sha256).stat().st_ino
    with blobs.path(sha256).open("rb") as read:
        assert blobs.keep_bytes(b"the same") == sha256
        assert read.read() == b"the same"
    assert blobs.path(sha256).stat().st_ino == before
    assert list((tmp_path / "incoming").iterdir()) == []


def test_kept_file_is_copied_where_there_are_no_links(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(source: Path, target: Path) -> None:
        raise OSError(errno.EPERM, "Operation not permitted")

    source = tmp_path / "kept"
    source.write_bytes(b"content")
    monkeypatch.setattr("os.link", refuse)
    place_under_name(source, tmp_path / "work" / "ride.log")
    assert (tmp_path / "work" / "ride.log").read_bytes() == b"content"
    assert not (tmp_path / "work" / "ride.log").samefile(source)


def test_two_files_of_one_name_never_write_into_each_other(tmp_path: Path) -> None:
    for name in ("one", "two"):
        (tmp_path / name).write_bytes(name.encode())
    place_under_name(tmp_path / "one", tmp_path / "work" / "ride.log")
    with pytest.raises(FileExistsError):
        place_under_name(tmp_path / "two", tmp_path / "work" / "ride.log")
    assert (tmp_path / "one").read_bytes() == b"one"


needs_groups = pytest.mark.skipif(
    not hasattr(os, "killpg"), reason="this system has no groups of processes"
)


def hanging_browser(folder: Path) -> tuple[Path, Path]:
    """Write a browser that never prints, and return it with the file that gets its number."""
    browser, told = folder / "browser", folder / "number"
    browser.write_text(f"#!/bin/sh\necho $$ > {told}.new\nmv {told}.new {told}\nexec sleep 600\n")
    browser.chmod(0o755)
    return browser, told


def result(worker: Worker) -> Outcome:
    """Run a worker in a thread of its own: a browser's test may have an event loop in this one."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(lambda: asyncio.run(worker.run(lambda *_: None))).result()


def is_running(number: int) -> bool:
    try:
        os.kill(number, 0)
    except ProcessLookupError:
        return False
    state = Path(f"/proc/{number}/stat")
    return not (state.exists() and state.read_text().rsplit(")", 1)[1].split()[0] == "Z")


def print_order(folder: Path) -> dict[str, object]:
    (folder / "page.html").write_text("<head></head>")
    return {"kind": "pdf", "folder": str(folder), "page": "page.html", "work_bytes": 0}


@needs_groups
def test_what_a_worker_started_ends_with_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, until: Until
) -> None:
    browser, told = hanging_browser(tmp_path)
    monkeypatch.setenv("CANASSIST_BROWSER", str(browser))
    worker = Worker(print_order(tmp_path), 60.0)

    def end_it() -> None:
        until(told.exists)
        worker.kill()

    ending = threading.Thread(target=end_it)
    ending.start()
    outcome = result(worker)
    ending.join()
    assert list(outcome) == ["died"]
    until(lambda: not is_running(int(told.read_text())))


@needs_groups
def test_worker_ends_with_its_server_and_so_does_what_it_started(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, until: Until
) -> None:
    browser, told = hanging_browser(tmp_path)
    monkeypatch.setenv("CANASSIST_BROWSER", str(browser))
    command = [sys.executable, "-m", "canassist.web.jobs.worker"]
    order = str(print_order(tmp_path)).replace("'", '"')
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, start_new_session=True, text=True
    ) as started:
        assert started.stdin is not None
        started.stdin.write(order + "\n")
        started.stdin.flush()
        until(told.exists)
        started.stdin.close()  # what a server leaves behind, however it ends
        assert started.wait(30) == -signal.SIGKILL
    until(lambda: not is_running(int(told.read_text())))


def test_worker_that_takes_too_long_is_ended_and_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    browser, _ = hanging_browser(tmp_path)
    monkeypatch.setenv("CANASSIST_BROWSER", str(browser))
    outcome = result(Worker(print_order(tmp_path), 0.5))
    assert outcome == {"too_long": True}


@pytest.mark.parametrize(
    ("memory", "workers", "work"), [(1, 1, 2), (4, 2, 3), (8, 4, 6), (64, 4, 6)]
)
def test_small_machine_does_less_at_once(
    monkeypatch: pytest.MonkeyPatch, memory: int, workers: int, work: int
) -> None:
    told = {"SC_PAGE_SIZE": 4096, "SC_PHYS_PAGES": memory * GIB // 4096}
    monkeypatch.setattr(os, "sysconf", told.__getitem__, raising=False)
    monkeypatch.setattr(os, "cpu_count", lambda: 16)
    limits = PageLimits()
    assert (limits.workers, limits.work_bytes) == (workers, work * GIB)


def test_machine_that_does_not_tell_its_memory_is_assumed_ordinary(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.delattr(os, "sysconf", raising=False)
    assert PageLimits().work_bytes == 6 * GIB


def test_log_that_needs_too_much_memory_is_told_on_the_page(
    serving_inside: Callable[..., AbstractContextManager[Inside]], tmp_path: Path
) -> None:
    if not hasattr(os, "nice") or sys.platform == "darwin":
        pytest.skip("this system does not bound a process's memory by its addresses")
    limits = PageLimits(work_bytes=140 * MIB)
    with serving_inside(tmp_path / "data", limits) as inside:
        log = b"".join(b"(%d.0) can0 123#0011\n" % n for n in range(2000))
        answer = inside.client.post("/api/reports", files={"log": ("ride.log", log)})
        assert answer.status_code == 422
        assert answer.json()["problem"] == "This ride needs more memory than one reading may use."
        assert "Cut the log" in answer.json()["fix"]
        assert inside.client.get("/").status_code == 200


def test_worker_that_needs_too_much_memory_says_so(tmp_path: Path) -> None:
    if not hasattr(os, "nice") or sys.platform == "darwin":
        pytest.skip("this system does not bound a process's memory by its addresses")
    order = {"kind": "sample", "folder": str(tmp_path), "ride": "hot_tight_turns"}
    outcome = result(Worker(order | {"work_bytes": 140 * MIB}, 60.0))
    assert outcome == {"too_big": True}, outcome
