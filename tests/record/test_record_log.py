"""The log is sacred: everything received, in order, with its own times, readable after any end."""

from __future__ import annotations

import gzip
import signal
import subprocess
import time
import tomllib
import zlib
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from canassist import frames
from canassist.errors import OutputError
from canassist.record.recorder import PlainLog

StandIn = Any  # the fixture's class lives in conftest.py
FramesOf = Callable[[Path], list[tuple[float, str, int, int]]]
Wait = Callable[[Callable[[], bool]], None]


def ended(process: subprocess.Popen[str], patience_s: float = 60.0) -> tuple[int, str, str]:
    """Wait for a command; return its status and what it said."""
    out, err = process.communicate(timeout=patience_s)
    return process.returncode, out, err


def numbers_by_bus(found: list[tuple[float, str, int, int]]) -> dict[str, list[int]]:
    by_bus: dict[str, list[int]] = {}
    for _, bus, _, number in found:
        by_bus.setdefault(bus, []).append(number)
    return by_bus


def check_whole(found: list[tuple[float, str, int, int]], buses: int = 1) -> None:
    """Hold that no number is missing, and that each time is the one that belongs to it."""
    by_bus = numbers_by_bus(found)
    assert len(by_bus) == buses
    for numbers in by_bus.values():
        assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))
    for bus in by_bus:
        times = [at for at, one, _, _ in found if one == bus]
        assert times == sorted(times)


def readable(path: Path) -> bytes:
    """Return what can be read of a gzip file that may lack its end."""
    raw, text = path.read_bytes(), b""
    while raw:
        member = zlib.decompressobj(16 + zlib.MAX_WBITS)
        text += member.decompress(raw)
        if not member.eof:
            break
        raw = member.unused_data
    return text


def read_by_canassist(path: Path) -> tuple[int, float]:
    """Return frames and last time by the tool's own reader."""
    recording = frames.open_log([path])
    count, last = 0, 0.0
    for block in recording.blocks():
        count += len(block)
        last = max(last, float(block.time_ns.max()) / 1e9)
    return count, last


def test_two_channels_with_bursts_are_kept_whole(
    stand_in: StandIn, tmp_path: Path, frames_of: FramesOf
) -> None:
    """8,000 frames a second in all, bursts of 20,000, queues of a tenth of a second."""
    for channel in ("can0", "can1"):
        stand_in.set(channel, rate=4000, burst=10000, queue=2000)
    options = ["--minutes", "0.1", "--bitrate", "500000"]
    status, out, err = ended(stand_in.record(tmp_path / "ride", *options, channels="can0 can1"))
    assert status == 0, err
    found = frames_of(tmp_path / "ride.log.gz")
    assert len(found) > 6.0 * 8000 * 0.9
    check_whole(found, buses=2)
    assert f"Recorded {len(found)} frames" in out
    assert "lost 0" in out
    case = tomllib.loads((tmp_path / "ride.case.toml").read_text("utf-8"))
    assert case["recording"]["frames"] == len(found)
    assert case["recording"]["lost_frames"] == 0
    assert "losses" not in case["recording"]


def test_times_are_the_interfaces_own(
    stand_in: StandIn, tmp_path: Path, frames_of: FramesOf
) -> None:
    """At 1000 frames a second frame n is stamped n milliseconds after the first."""
    stand_in.set("can0", rate=1000)
    assert ended(stand_in.record(tmp_path / "ride", "--minutes", "0.025"))[0] == 0
    found = frames_of(tmp_path / "ride.log.gz")
    first_s, _, _, first = found[0]
    for at, _, _, number in found:
        assert at - first_s == pytest.approx((number - first) / 1000, abs=2e-6)


def test_an_interface_with_a_zero_of_its_own_is_placed_by_one_fixed_shift(
    stand_in: StandIn, tmp_path: Path, frames_of: FramesOf
) -> None:
    stand_in.set("can0", rate=500, zero=12.0)
    begun = time.time()
    assert ended(stand_in.record(tmp_path / "ride", "--minutes", "0.02"))[0] == 0
    found = frames_of(tmp_path / "ride.log.gz")
    assert begun <= found[0][0] <= time.time()
    steps = [b[0] - a[0] for a, b in pairwise(found)]
    assert max(abs(step - 0.002) for step in steps) < 3e-6


def test_what_the_driver_lost_is_counted_and_written_down(
    stand_in: StandIn, tmp_path: Path, frames_of: FramesOf
) -> None:
    """A queue of one frame overflows; the driver says by how much."""
    stand_in.set("can0", rate=2000, burst=30000, queue=1)
    status, out, _ = ended(stand_in.record(tmp_path / "ride", "--minutes", "0.02"))
    assert status == 0
    numbers = [number for _, _, _, number in frames_of(tmp_path / "ride.log.gz")]
    missing = numbers[-1] - numbers[0] + 1 - len(numbers)
    assert missing > 0
    case = tomllib.loads((tmp_path / "ride.case.toml").read_text("utf-8"))
    told = sum(one["frames"] for one in case["recording"]["losses"])
    assert told == case["recording"]["lost_frames"]
    assert told >= missing
    assert f"lost {told}" in out


@pytest.mark.parametrize("kills", [2, pytest.param(50, marks=pytest.mark.slow)])
def test_killed_at_any_moment_the_log_is_readable_to_the_last_second(
    stand_in: StandIn, tmp_path: Path, wait_until: Wait, kills: int
) -> None:
    stand_in.set("can0", rate=3000)
    for number in range(kills):
        log = tmp_path / f"ride{number}.log.gz"
        process = stand_in.record(tmp_path / f"ride{number}")
        wait_until(lambda log=log: log.exists() and log.stat().st_size > 0)
        time.sleep(0.3 + 1.717 * number % 2.0)  # longer than a block lasts, now and then
        process.send_signal(signal.SIGKILL)
        killed = time.time()
        process.communicate()
        count, last_s = read_by_canassist(log)
        assert count > 0
        assert killed - last_s < 1.6, "the last whole block is older than a second and its writing"
        lines = readable(log).decode("ascii").splitlines()
        listed = [int(line.split("#")[1], 16) for line in lines]
        assert listed == list(range(listed[0], listed[0] + len(listed)))


def test_an_interrupt_ends_the_recording_well(
    stand_in: StandIn, tmp_path: Path, wait_until: Wait, frames_of: FramesOf
) -> None:
    stand_in.set("can0", rate=2000)
    process = stand_in.record(tmp_path / "ride")
    log = tmp_path / "ride.log.gz"
    wait_until(lambda: log.exists() and log.stat().st_size > 0)
    process.send_signal(signal.SIGINT)
    interrupted = time.time()
    status, out, _ = ended(process)
    assert status == 0
    found = frames_of(log)
    check_whole(found)
    assert interrupted - found[-1][0] < 0.5
    assert f"Recorded {len(found)} frames" in out


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """Return a disk of 1 MB in memory, where the system lets one be made."""
    folder = tmp_path / "small"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(folder)]
    try:
        made = subprocess.run(command, capture_output=True, text=True, check=False)
    except OSError as error:
        pytest.skip(f"no disk in memory can be made here ({error})")
    if made.returncode:
        pytest.skip(f"no disk in memory can be made here ({made.stderr.strip()})")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def fill(folder: Path, leave: int) -> None:
    """Fill a disk but for some bytes."""
    with (folder / "filler").open("wb", buffering=0) as file:
        try:
            while True:
                file.write(bytes(4096))
        except OSError:
            pass
    size = (folder / "filler").stat().st_size
    with (folder / "filler").open("r+b") as file:
        file.truncate(max(size - leave, 0))


def test_a_full_disk_is_told_and_the_log_stays_readable(
    stand_in: StandIn, tmp_path: Path, small_disk: Path, frames_of: FramesOf
) -> None:
    stand_in.set("can0", rate=4000)
    fill(small_disk, leave=40_000)
    status, out, err = ended(stand_in.record(small_disk / "ride", "--minutes", "0.08"))
    assert status == 2
    assert "Nothing can be written now: No space left on device" in err
    found = frames_of(small_disk / "ride.log.gz")  # whole members: a plain unpacker is content
    check_whole(found)
    assert len(found) < 0.08 * 60 * 4000 * 0.8
    assert "frames were lost" in out


def test_room_made_again_loses_nothing(
    stand_in: StandIn, tmp_path: Path, small_disk: Path, wait_until: Wait, frames_of: FramesOf
) -> None:
    stand_in.set("can0", rate=4000)
    fill(small_disk, leave=20_000)
    process = stand_in.record(small_disk / "ride", "--minutes", "0.1")
    wait_until((small_disk / "ride.log.gz").exists)
    time.sleep(3.5)
    (small_disk / "filler").unlink()
    status, out, err = ended(process)
    assert status == 0, err
    assert "Nothing can be written now" in err
    found = frames_of(small_disk / "ride.log.gz")
    check_whole(found)
    assert len(found) > 0.1 * 60 * 4000 * 0.9
    assert "lost 0" in out


def test_an_unplugged_interface_is_waited_for_and_marked_as_a_hole(
    stand_in: StandIn, tmp_path: Path, frames_of: FramesOf
) -> None:
    stand_in.set("can0", rate=1000, die_s=1.5, back_s=2.0)
    stand_in.set("can1", rate=1000)
    process = stand_in.record(tmp_path / "ride", "--minutes", "0.1", channels="can0 can1")
    status, _, err = ended(process)
    assert status == 0, err
    assert "can0: the interface is gone" in err
    found = frames_of(tmp_path / "ride.log.gz")
    stamps = [at for at, bus, _, _ in found if bus == "can0"]
    gap_s, gap_at = max((b - a, a) for a, b in pairwise(stamps))
    assert 1.9 < gap_s < 3.2
    check_whole([one for one in found if one[1] == "can1"])
    case = tomllib.loads((tmp_path / "ride.case.toml").read_text("utf-8"))
    (hole,) = case["recording"]["holes"]
    assert hole["channel"] == "can0"
    assert hole["why"] == "the device is gone"
    assert hole["start_log"] == pytest.approx(gap_at, abs=0.1)
    assert hole["end_log"] == pytest.approx(gap_at + gap_s, abs=0.1)


def test_an_interface_that_never_comes_back_leaves_a_whole_log(
    stand_in: StandIn, tmp_path: Path, wait_until: Wait, frames_of: FramesOf
) -> None:
    """The hole is written down as it begins: a kill may come before its end."""
    stand_in.set("can0", rate=1000, die_s=1.0)
    process = stand_in.record(tmp_path / "ride", "--minutes", "0.05")
    path = tmp_path / "ride.case.toml"
    wait_until(lambda: path.exists() and "holes" in path.read_text("utf-8"))
    (hole,) = tomllib.loads(path.read_text("utf-8"))["recording"]["holes"]
    assert "end_log" not in hole
    status, _, _ = ended(process)
    assert status == 0
    check_whole(frames_of(tmp_path / "ride.log.gz"))
    case = tomllib.loads((tmp_path / "ride.case.toml").read_text("utf-8"))
    assert len(case["recording"]["holes"]) == 1


@pytest.mark.parametrize(
    ("setting", "words"),
    [
        ({"rate": 200, "errors": True}, "only errors, no frame. The bit rate is wrong (125 kbit/s"),
        ({"silent": True}, "nothing comes. Key on? Plugged in? Right bit rate (125 kbit/s"),
    ],
)
def test_a_wrong_bit_rate_is_told_in_seconds(
    stand_in: StandIn, tmp_path: Path, setting: dict[str, Any], words: str
) -> None:
    stand_in.set("can0", **setting)
    options = ["--minutes", "0.07", "--bitrate", "125000"]
    _, _, err = ended(stand_in.record(tmp_path / "ride", *options))
    assert words in err


def test_nothing_is_written_over(stand_in: StandIn, tmp_path: Path) -> None:
    (tmp_path / "ride.log.gz").write_bytes(b"an old ride")
    status, _, err = ended(stand_in.record(tmp_path / "ride"))
    assert status == 2
    assert "is there already" in err
    assert (tmp_path / "ride.log.gz").read_bytes() == b"an old ride"


def test_a_log_that_appears_meanwhile_is_not_written_over(tmp_path: Path) -> None:
    log = tmp_path / "ride.log.gz"
    log.write_bytes(b"an old ride")
    with pytest.raises(OutputError, match="never written over"):
        PlainLog(log)
    assert log.read_bytes() == b"an old ride"


def test_an_interface_that_cannot_be_opened_is_told(stand_in: StandIn, tmp_path: Path) -> None:
    stand_in.set("can0", die_s=-1.0)
    status, _, err = ended(stand_in.record(tmp_path / "ride"))
    assert status == 3
    assert "can0: cannot be opened (no such device)." in err
    assert not list(tmp_path.glob("ride*"))


@pytest.mark.parametrize("ending", [".asc", ".blf", ".trc", ".log"])
def test_another_ending_is_made_at_the_end(stand_in: StandIn, tmp_path: Path, ending: str) -> None:
    stand_in.set("can0", rate=1000)
    status, _, err = ended(stand_in.record(tmp_path / f"ride{ending}", "--minutes", "0.02"))
    assert status == 0, err
    assert not (tmp_path / "ride.log.gz").exists()
    count, _ = read_by_canassist(tmp_path / f"ride{ending}")
    case = tomllib.loads((tmp_path / "ride.case.toml").read_text("utf-8"))
    assert count == case["recording"]["frames"] > 800


def test_the_packed_log_stays_where_the_other_format_cannot_be_made(
    stand_in: StandIn, tmp_path: Path, wait_until: Wait
) -> None:
    stand_in.set("can0", rate=1000)
    process = stand_in.record(tmp_path / "ride.asc", "--minutes", "0.025")
    wait_until((tmp_path / "ride.log.gz").exists)
    (tmp_path / "ride.asc").mkdir()  # takes the name meanwhile
    (tmp_path / "ride.asc" / "in_the_way").touch()
    status, _, err = ended(process)
    assert status != 0
    assert "the whole log is" in err
    assert read_by_canassist(tmp_path / "ride.log.gz")[0] > 800


def test_a_size_ends_the_recording(stand_in: StandIn, tmp_path: Path) -> None:
    stand_in.set("can0", rate=4000)
    status, _, err = ended(stand_in.record(tmp_path / "ride", "--size", "60k"))
    assert status == 0
    assert "has the size" in err
    assert 40_000 <= (tmp_path / "ride.log.gz").stat().st_size < 200_000
    gzip.decompress((tmp_path / "ride.log.gz").read_bytes())
