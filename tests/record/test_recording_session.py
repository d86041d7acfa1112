"""A whole recording: on the virtual bus, with the watching process, with the report at the end."""

from __future__ import annotations

import gzip
import json
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path

import can
import pytest

from canassist.model import Coverage
from canassist.pipeline import analyze
from canassist.profile import read_profile
from canassist.record import (
    RecordingPlan,
    RecordingSession,
    channel_settings,
    open_sources,
    replayed,
)
from canassist.record.capture.candump_text import bus_word, line_of

Wait = Callable[[Callable[[], bool]], None]
SENTENCES = {"cannot_tell", "ride_next", "needs"}


def plan(log: Path, root: Path, **more: bool) -> RecordingPlan:
    vehicle = root / "dbc_demo"
    return RecordingPlan(
        log=log,
        databases=(vehicle / "demo_trail_vehicle.dbc",),
        profile=read_profile(vehicle / "demo_trail_vehicle.toml"),
        **more,
    )


def send_numbers(channel: str, count: int, rate: float) -> None:
    """Send numbered frames as a vehicle would; the recorder is another bus."""
    with can.Bus(interface="virtual", channel=channel) as bus:
        begun = time.monotonic()
        for number in range(count):
            ahead = begun + number / rate - time.monotonic()
            if ahead > 0.002:
                time.sleep(ahead)
            data = number.to_bytes(8, "big")
            bus.send(can.Message(arbitration_id=0x10, is_extended_id=False, data=data))


def test_the_virtual_bus_is_kept_whole(tmp_path: Path, project_root: Path) -> None:
    """Two channels of 2,500 frames a second, sent from threads of the same process."""
    log = tmp_path / "ride.log.gz"
    sources = open_sources(channel_settings(["virtual"], ["one", "two"], [500_000]))
    session = RecordingSession(plan(log, project_root, watched=False), sources)
    session.start()
    threads = [
        threading.Thread(target=send_numbers, args=(name, 5000, 2500.0)) for name in ("one", "two")
    ]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    time.sleep(0.3)
    session.stop()
    found: dict[str, list[int]] = {}
    for line in gzip.decompress(log.read_bytes()).decode("ascii").splitlines():
        _, bus, frame = line.split()
        found.setdefault(bus, []).append(int(frame.partition("#")[2], 16))
    assert found == {"one": list(range(5000)), "two": list(range(5000))}
    assert session.state().lost == 0


def test_the_watchs_last_answer_is_the_reports_coverage(
    tmp_path: Path, project_root: Path, wait_until: Wait
) -> None:
    """The same seconds at the end, read by another process while the log grew."""
    log = tmp_path / "ride.log.gz"
    source = replayed([project_root / "sample_logs/not_charging.log.gz"], 60.0)
    session = RecordingSession(plan(log, project_root), [source])
    session.start()
    wait_until(lambda: bool(session.is_over()))
    answer = session.stop()
    assert answer is not None
    assert answer.note == ""
    assert isinstance(answer.coverage, Coverage)
    known = plan(log, project_root)
    report = analyze(log, dbc=known.databases, profile=known.profile).coverage
    for one in fields(Coverage):
        if one.name not in SENTENCES:
            assert getattr(answer.coverage, one.name) == getattr(report, one.name)


def test_the_report_at_the_end(tmp_path: Path, project_root: Path) -> None:
    """The database is given, the profile stands in the project file of the ride's folder."""
    vehicle = project_root / "dbc_demo"
    (tmp_path / "vehicle.toml").write_bytes((vehicle / "demo_trail_vehicle.toml").read_bytes())
    (tmp_path / "canassist.toml").write_text('profile = "vehicle.toml"\n', "utf-8")
    done = subprocess.run(
        [
            *(sys.executable, "-m", "canassist", "record", "-o", str(tmp_path / "ride")),
            *("--replay", str(project_root / "sample_logs/hot_tight_turns.blf"), "--speed", "200"),
            *("--dbc", str(vehicle / "demo_trail_vehicle.dbc"), "--report"),
        ],
        capture_output=True,
        text=True,
        check=False,
        stdin=subprocess.DEVNULL,
    )
    assert done.returncode == 0, done.stderr
    result = json.loads((tmp_path / "ride.report.json").read_text("utf-8"))
    assert result["conclusions"][0]["code"] == "thermal_protection"
    roles = [one["role"] for one in result["inputs"]]
    assert roles == ["log", "dbc", "profile", "project", "case"]
    assert "canassist.toml: vehicle.toml." in done.stderr.splitlines()[0]
    assert "cannot be told: hot" not in done.stdout  # a limit of the profile
    assert "missing: " in done.stdout
    assert "(thermal_protection)" in done.stdout


@pytest.mark.parametrize(
    ("message", "text"),
    [
        (can.Message(arbitration_id=0x12, is_extended_id=False, data=b"\x01\xab"), "012#01AB"),
        (can.Message(arbitration_id=0x12, data=b""), "00000012#"),
        (can.Message(arbitration_id=0x7FF, is_extended_id=False, is_remote_frame=True, dlc=8),
         "7FF#R8"),
        (can.Message(arbitration_id=0x1, is_extended_id=False, is_fd=True, bitrate_switch=True,
                     data=b"\x11" * 12), "001##1" + "11" * 12),
        (can.Message(arbitration_id=0x1, is_extended_id=False, is_fd=True,
                     error_state_indicator=True, data=b""), "001##2"),
        (can.Message(arbitration_id=0x4, is_error_frame=True, data=b"\x00\x01"), "20000004#0001"),
        (can.Message(arbitration_id=0x12, data=b"\x01", is_rx=False), "00000012#01 T"),
    ],
)  # fmt: skip
def test_each_kind_of_frame_is_a_line_of_the_grammar(message: can.Message, text: str) -> None:
    """The grammar is the comment in can-utils' ``lib.h``; error bit of linux/can.h."""
    message.timestamp = 1_700_000_000.25
    assert line_of(message, "can0", 0.5) == f"(1700000000.750000) can0 {text}\n"


def test_an_error_frames_foreign_number_is_left_out() -> None:
    message = can.Message(arbitration_id=0x123, is_error_frame=True, data=b"")
    assert line_of(message, "can0", 0.0, keep_class=False) == "(0.000000) can0 20000000#\n"


def test_a_bus_is_one_word() -> None:
    assert bus_word("tty USB0\n") == "tty_USB0_"
    assert bus_word("") == "bus"
    assert len(bus_word("x" * 99)) == 32
