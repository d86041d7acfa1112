"""Packed logs: every packing, damaged, nested, too large."""

from __future__ import annotations

import bz2
import contextlib
import gzip
import io
import lzma
import struct
import sys
import time
import zipfile
import zlib
from typing import TYPE_CHECKING

import numpy as np
import pytest
import zstandard
from hypothesis import given, settings
from hypothesis import strategies as st

from canassist.errors import InflationError, InputError, NoFramesError
from canassist.frames.unpack.inflate import Inflated, InflationLimits
from canassist.frames.unpack.unpack import Part, find_parts, open_part

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

PACKERS: dict[str, Callable[[bytes], bytes]] = {
    "gz": lambda plain: gzip.compress(plain, 6),
    "xz": lambda plain: lzma.compress(plain, preset=1),
    "bz2": bz2.compress,
    "zst": lambda plain: zstandard.ZstdCompressor(write_checksum=True).compress(plain),
}
KINDS = {"gz": "gzip", "xz": "xz", "bz2": "bzip2", "zst": "zstd"}
Report = list[tuple[str, str]]
ROUGH = InflationLimits()


def _noise(size: int, seed: int = 0) -> bytes:
    """Text that packs to about half."""
    return np.random.default_rng(seed).integers(0, 16, size, dtype=np.uint8).tobytes()


def _unpacked(path: Path, limits: InflationLimits = ROUGH) -> tuple[bytes, Report]:
    report: Report = []

    def take(where: str, what: str, /, **marks: bool) -> None:
        assert marks.get("doubtful", False) == (
            "checksum in the archive" in what or "somewhere before" in what
        )
        report.append((where, what))

    plain = b""
    for part in find_parts(path, limits=limits, report=take):
        with open_part(part, take) as opened:
            plain += opened.stream.read()
    return plain, report


def _inflated(packed: bytes, kind: str) -> tuple[bytes, Report]:
    report: Report = []

    def take(where: str, what: str, /, **marks: bool) -> None:
        assert marks.get("doubtful", False) == ("somewhere before" in what)
        report.append((where, what))

    stream = Inflated(
        io.BytesIO(packed),
        kind,
        name="log",
        limits=ROUGH,
        report=take,
    )
    return io.BufferedReader(stream).read(), report


@pytest.mark.parametrize("packing", PACKERS)
@pytest.mark.parametrize("size", [0, 1, 65_536, 1_000_000])
def test_every_packing_is_undone(tmp_path: Path, packing: str, size: int) -> None:
    path = tmp_path / f"ride.log.{packing}"
    path.write_bytes(PACKERS[packing](_noise(size)))
    assert _unpacked(path) == (_noise(size), [])


@pytest.mark.parametrize("packing", PACKERS)
def test_packing_is_told_by_content_not_by_the_ending(tmp_path: Path, packing: str) -> None:
    path = tmp_path / "ride.txt"
    path.write_bytes(PACKERS[packing](b"plain"))
    assert _unpacked(path) == (b"plain", [])


@pytest.mark.parametrize("packing", PACKERS)
def test_members_one_behind_the_other_are_one_log(packing: str) -> None:
    pack = PACKERS[packing]
    plain, report = _inflated(pack(b"one ") + pack(b"") + pack(b"two"), KINDS[packing])
    assert plain == b"one two"
    assert not report


@pytest.mark.parametrize("packing", PACKERS)
def test_fifty_cuts_keep_all_that_inflates(packing: str) -> None:
    """As much as the standard library gets out of the same bytes, byte for byte."""
    plain = _noise(400_000)
    packed = PACKERS[packing](plain)
    for at in np.random.default_rng(1).integers(10, len(packed), 50).tolist():
        got, report = _inflated(packed[:at], KINDS[packing])
        assert got == _by_library(packing, packed[:at])
        assert plain.startswith(got)
        assert "ends before its end" in report[0][1]


def _by_library(packing: str, packed: bytes) -> bytes:
    if packing == "gz":
        return zlib.decompressobj(31).decompress(packed)
    if packing == "xz":
        return lzma.LZMADecompressor().decompress(packed)
    if packing == "bz2":
        return bz2.BZ2Decompressor().decompress(packed)
    return zstandard.ZstdDecompressor().decompressobj().decompress(packed)


@pytest.mark.parametrize("packing", PACKERS)
def test_what_stands_before_and_behind_damage_is_kept(packing: str) -> None:
    pack = PACKERS[packing]
    first, second, third = _noise(300_000, 1), _noise(300_000, 2), _noise(300_000, 3)
    broken = bytearray(pack(second))
    broken[len(broken) // 2 : len(broken) // 2 + 60] = b"\xff" * 60
    got, report = _inflated(pack(first) + bytes(broken) + pack(third), KINDS[packing])
    assert got.startswith(first)
    assert got.endswith(third)
    assert "damaged" in report[0][1]
    assert "goes on here" in report[1][1]


def test_a_break_in_gzip_costs_no_byte_before_it() -> None:
    """The reference is fed byte by byte until it breaks."""
    plain = _noise(500_000)
    packed = bytearray(gzip.compress(plain))
    packed[200_000:200_040] = b"\xff" * 40
    engine, expected = zlib.decompressobj(31), b""
    with contextlib.suppress(zlib.error):
        for at in range(len(packed)):
            expected += engine.decompress(bytes(packed[at : at + 1]))
    assert not engine.eof
    got, report = _inflated(bytes(packed), "gzip")
    assert got == expected
    assert len(got) > 300_000
    assert report[0][0].startswith("byte ")


def test_a_wrong_checksum_is_told_and_costs_nothing() -> None:
    packed = bytearray(gzip.compress(b"all of it is here" * 1000))
    packed[-8] ^= 1
    got, report = _inflated(bytes(packed), "gzip")
    assert got == b"all of it is here" * 1000
    assert "damaged somewhere before" in report[0][1]
    assert "may be wrong" in report[0][1]


def test_other_bytes_behind_the_end_are_told() -> None:
    got, report = _inflated(gzip.compress(b"log") + b"\0" * 999, "gzip")
    assert (got, report) == (b"log", [])  # filled up to a whole block of the card
    got, report = _inflated(gzip.compress(b"log") + b"\0\0rest", "gzip")
    assert got == b"log"
    assert "other data" in report[0][1]


@pytest.mark.parametrize("packing", PACKERS)
def test_a_bomb_ends_in_a_clear_message(tmp_path: Path, packing: str) -> None:
    path = tmp_path / "bomb.log"
    path.write_bytes(PACKERS[packing](bytes(8 << 20)))
    limits = InflationLimits(free_bytes=1 << 20, max_ratio=100)
    with pytest.raises(InflationError, match=r"bomb\.log: inflates to more than"):
        _unpacked(path, limits)


def test_a_log_larger_than_allowed_ends_in_a_clear_message(tmp_path: Path) -> None:
    path = tmp_path / "ride.log.gz"
    path.write_bytes(gzip.compress(_noise(3 << 20)))
    with pytest.raises(InflationError):
        _unpacked(path, InflationLimits(free_bytes=0, max_bytes=2 << 20))


@pytest.mark.parametrize(
    "method",
    [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2],
)
def test_members_of_a_zip_are_its_logs(tmp_path: Path, method: int) -> None:
    path = tmp_path / "rides.zip"
    with zipfile.ZipFile(path, "w", method) as archive:
        archive.writestr("folder/part2.log", _noise(70_000, 2))
        archive.writestr("folder/part1.log", _noise(70_000, 1))
        archive.writestr("__MACOSX/._part1.log", b"x")
        archive.mkdir("empty")
    report: Report = []
    parts = find_parts(path, limits=ROUGH, report=lambda *one, **_: report.append(one))
    assert [part.name for part in parts] == ["part1.log", "part2.log"]
    assert _unpacked(path) == (_noise(70_000, 1) + _noise(70_000, 2), [])
    assert not report


def test_what_a_system_hides_in_an_archive_is_no_log(tmp_path: Path) -> None:
    path = tmp_path / "rides.zip"
    with zipfile.ZipFile(path, "w") as packed:
        for name in ("ride.log", "__MACOSX/ride.log", ".hidden", "on/._ride.log"):
            packed.writestr(name, "x")
    said: list[str] = []
    parts = find_parts(path, limits=ROUGH, report=lambda _, what, **__: said.append(what))
    assert [part.name for part in parts] == ["ride.log"]
    assert not said


def test_an_archive_of_more_files_than_are_read_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("canassist.frames.unpack.zip_members._MOST_MEMBERS", 2)
    path = tmp_path / "rides.zip"
    with zipfile.ZipFile(path, "w") as packed:
        for number in range(3):
            packed.writestr(f"{number}.log", "x")
    said: list[str] = []
    parts = find_parts(path, limits=ROUGH, report=lambda _, what, **__: said.append(what))
    assert [part.name for part in parts] == ["0.log", "1.log"]
    assert said == ["holds 3 files; those after the first 2 left out"]


def test_a_zip_written_as_a_stream_has_its_sizes_behind_the_data(tmp_path: Path) -> None:
    class Pipe(io.RawIOBase):
        """A file that cannot seek."""

        def __init__(self) -> None:
            self.data = b""

        def writable(self) -> bool:
            return True

        def write(self, data: object) -> int:
            self.data += bytes(data)  # type: ignore[call-overload]  # a buffer
            return len(bytes(data))  # type: ignore[call-overload]  # a buffer

    pipe = Pipe()
    with zipfile.ZipFile(pipe, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("ride.log", _noise(70_000))
    path = tmp_path / "rides.zip"
    path.write_bytes(pipe.data)
    assert _unpacked(path) == (_noise(70_000), [])
    path.write_bytes(pipe.data[:30_000])  # cut, so without its directory
    plain, report = _unpacked(path)
    assert _noise(70_000).startswith(plain)
    assert len(plain) > 40_000
    assert "directory cannot be read" in report[0][1]


def test_a_cut_zip_gives_what_is_left(tmp_path: Path) -> None:
    path = tmp_path / "rides.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a.log", _noise(70_000, 1))
        archive.writestr("b.log", _noise(70_000, 2))
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) * 3 // 4])
    plain, report = _unpacked(path)
    assert plain.startswith(_noise(70_000, 1))
    assert _noise(70_000, 2).startswith(plain[70_000:])
    assert len(plain) > 80_000
    assert len(report) == 2


def test_a_file_of_nothing_but_marks_takes_no_long_time(tmp_path: Path) -> None:
    path = tmp_path / "rides.zip"
    path.write_bytes(b"PK\x03\x04" * 1_000_000)
    begin = time.monotonic()
    with pytest.raises(NoFramesError, match="no file is found"):
        find_parts(path, limits=ROUGH, report=lambda *_, **__: None)
    assert time.monotonic() - begin < 10.0  # it took minutes


def test_a_damaged_stored_member_is_told_by_its_checksum(tmp_path: Path) -> None:
    path = tmp_path / "rides.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("a.log", b"0123456789" * 100)
    data = bytearray(path.read_bytes())
    data[200] ^= 1
    path.write_bytes(bytes(data))
    plain, report = _unpacked(path)
    assert len(plain) == 1000
    assert "checksum" in report[0][1]


def test_an_encrypted_member_is_refused_with_what_to_do(tmp_path: Path) -> None:
    path = tmp_path / "rides.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("a.log", b"0123456789")
    data = bytearray(path.read_bytes())
    data[6] |= 1
    data[data.rindex(b"PK\x01\x02") + 8] |= 1
    path.write_bytes(bytes(data))
    with pytest.raises(InputError, match="encrypted"):
        _unpacked(path)


def test_packings_in_each_other_are_undone(tmp_path: Path) -> None:
    path = tmp_path / "rides.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("ride.log.gz", gzip.compress(_noise(90_000)))
        archive.writestr("ride.log.xz", lzma.compress(gzip.compress(_noise(10))))
    assert _unpacked(path) == (_noise(90_000) + _noise(10), [])


def test_a_reader_that_jumps_about_gets_a_file_with_a_name(tmp_path: Path) -> None:
    path = tmp_path / "ride.mf4.gz"
    path.write_bytes(gzip.compress(b"0123456789"))
    with open_part(Part(path=path, name=path.name), lambda *_: None, to_disk=True) as opened:
        assert opened.stream.seek(5) == 5
        assert opened.stream.read() == b"56789"
        name = opened.stream.name
        with open(name, "rb") as again:  # noqa: PTH123 - as a library would
            assert again.read() == b"0123456789"
    with pytest.raises(FileNotFoundError):
        open(name, "rb").close()  # noqa: PTH123 - it is gone


def test_files_that_cannot_be_read_say_why(tmp_path: Path) -> None:
    empty = tmp_path / "empty.log"
    empty.touch()
    for path, error, words in (
        (tmp_path / "none.log", InputError, "no such file"),
        (tmp_path, InputError, "is a folder"),
        (empty, NoFramesError, "is empty"),
    ):
        with pytest.raises(error, match=words) as caught:
            _unpacked(path)
        assert caught.value.fix
        assert caught.value.exit_status == 3


def test_endings_of_packing_are_dropped(tmp_path: Path) -> None:
    for name in ("ride.ASC.gz", "ride.asc.zst", "ride.asc", "a.b.asc.bz2.xz"):
        assert Part(path=tmp_path / name, name=name).ending == ".asc"


def test_without_the_fast_library_the_same_comes_out(monkeypatch: pytest.MonkeyPatch) -> None:
    packed = gzip.compress(_noise(300_000)) + gzip.compress(b"more")
    fast = _inflated(packed, "gzip")
    monkeypatch.setitem(sys.modules, "isal", None)
    assert _inflated(packed, "gzip") == fast == (_noise(300_000) + b"more", [])


@settings(max_examples=60)
@given(
    packing=st.sampled_from(sorted(PACKERS)),
    noise=st.lists(st.tuples(st.integers(0, 4000), st.binary(max_size=9)), max_size=5),
    tail=st.binary(max_size=30),
)
def test_nothing_makes_it_fail(packing: str, noise: list[tuple[int, bytes]], tail: bytes) -> None:
    packed = bytearray(PACKERS[packing](_noise(6000)))
    for place, data in noise:
        packed[place : place + len(data)] = data
    plain, _ = _inflated(bytes(packed) + tail, KINDS[packing])
    assert len(plain) < 1 << 24


@settings(max_examples=60)
@given(noise=st.lists(st.tuples(st.integers(4, 700), st.binary(max_size=9)), max_size=5))
def test_a_damaged_zip_never_fails_but_in_words(
    tmp_path_factory: pytest.TempPathFactory, noise: list[tuple[int, bytes]]
) -> None:
    path = tmp_path_factory.mktemp("zip") / "rides.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a.log", _noise(300, 1))
        archive.writestr("b.log", _noise(300, 2))
    data = bytearray(path.read_bytes())
    for place, there in noise:
        data[place : place + len(there)] = there
    path.write_bytes(bytes(data))
    try:
        _unpacked(path)
    except InputError as error:
        assert error.fix  # noqa: PT017 - only errors in words may come


def test_a_window_that_asks_for_gigabytes_is_refused() -> None:
    """A Zstandard frame may ask for any window; its header alone must not take the memory."""
    frame = b"\x28\xb5\x2f\xfd" + bytes([0x00, 0xF8]) + struct.pack("<I", 0)[:3] + b"x" * 20
    plain, report = _inflated(frame, "zstd")
    assert plain == b""
    assert report
