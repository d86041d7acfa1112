"""Members of a zip archive, read from their local headers so that a damaged one serves too."""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from typing import TYPE_CHECKING, BinaryIO, Final, NamedTuple

from canassist.errors import InputError
from canassist.frames.unpack.inflate import Inflated, InflationLimits, Report
from canassist.frames.unpack.inflate_engines import BZIP2, DEFLATE, XZ, ZSTD

if TYPE_CHECKING:
    from collections.abc import Iterator

    from typing_extensions import Buffer

ZIP_MAGIC: Final = b"PK\x03\x04"
_LOCAL = struct.Struct("<4sHHHHHIIIHH")  # APPNOTE 4.3.7, local file header
_ENCRYPTED: Final = 1
_SIZES_FOLLOW: Final = 8  # general purpose bit 3: sizes stand behind the data
_STORED: Final = 0
_KINDS: Final = {8: DEFLATE, 12: BZIP2, 93: ZSTD, 95: XZ}
_FIRST_SCAN_BYTES: Final = 1 << 12  # most marks lie near, and each must not cost a large piece
_SCAN_BYTES: Final = 1 << 20
_MOST_MARKS: Final = 20_000  # looked at where the directory is lost
_JUNK_FOLDER: Final = "__MACOSX/"
_MOST_MEMBERS: Final = 10_000


class Member(NamedTuple):
    """One file in an archive; `size` and `crc` are None where only the data would tell."""

    name: str
    at: int
    method: int
    size: int | None
    crc: int | None
    encrypted: bool


def members(source: BinaryIO, report: Report) -> list[Member]:
    """List the files in an archive, from its directory or, where that is lost, by search."""
    try:
        with zipfile.ZipFile(source) as archive:
            listed = [_listed(info) for info in archive.infolist() if info.filename[-1:] != "/"]
        _check_places(source, listed)
    except (zipfile.BadZipFile, OSError, ValueError, struct.error, NotImplementedError) as error:
        report(
            "end of file",
            f"the archive's directory cannot be read ({error}); searched instead",
            grave=True,
        )
        listed = list(_searched(source))
    logs = [one for one in listed if not _is_hidden(one.name)]
    if len(logs) > _MOST_MEMBERS:
        report(
            "archive", f"holds {len(logs)} files; those after the first {_MOST_MEMBERS} left out"
        )
    return logs[:_MOST_MEMBERS]


def _is_hidden(name: str) -> bool:
    return name.startswith(_JUNK_FOLDER) or name.rpartition("/")[2].startswith(".")


def _check_places(source: BinaryIO, listed: list[Member]) -> None:
    for member in listed:
        source.seek(member.at)
        if source.read(len(ZIP_MAGIC)) != ZIP_MAGIC:
            msg = "it points to places where no member begins"
            raise zipfile.BadZipFile(msg)


def _listed(info: zipfile.ZipInfo) -> Member:
    return Member(
        name=info.filename,
        at=info.header_offset,
        method=info.compress_type,
        size=info.compress_size,
        crc=info.CRC,
        encrypted=bool(info.flag_bits & _ENCRYPTED),
    )


def _searched(source: BinaryIO) -> Iterator[Member]:
    at = 0
    for _ in range(_MOST_MARKS):
        found = _find(source, at)
        if found is None:
            return
        member, behind = _from_local_header(source, found)
        if member is None:
            at = found + len(ZIP_MAGIC)
            continue
        yield member
        at = behind + (member.size or 0)


def _find(source: BinaryIO, start: int) -> int | None:
    source.seek(start)
    at, carry, size = start, b"", _FIRST_SCAN_BYTES
    while piece := source.read(size):
        size = _SCAN_BYTES
        window = carry + piece
        place = window.find(ZIP_MAGIC)
        if place >= 0:
            return at - len(carry) + place
        at += len(piece)
        carry = window[-3:]
    return None


def _from_local_header(source: BinaryIO, at: int) -> tuple[Member | None, int]:
    source.seek(at)
    raw = source.read(_LOCAL.size)
    if len(raw) < _LOCAL.size:
        return None, at
    _, _, bits, method, _, _, crc, size, _, name_len, extra_len = _LOCAL.unpack(raw)
    name = source.read(name_len)
    if method not in (_STORED, *_KINDS) or len(name) < name_len or name.endswith(b"/"):
        return None, at
    known = not bits & _SIZES_FOLLOW
    member = Member(
        name=name.decode("utf-8", errors="replace"),
        at=at,
        method=method,
        size=size if known else None,
        crc=crc if known else None,
        encrypted=bool(bits & _ENCRYPTED),
    )
    return member, at + _LOCAL.size + name_len + extra_len


def open_member(
    source: BinaryIO, member: Member, *, name: str, limits: InflationLimits, report: Report
) -> io.RawIOBase:
    """Return the plain bytes of one member.

    Raises
    ------
    InputError
        If it is encrypted, or compressed in a way that this cannot undo.
    """
    if member.encrypted:
        raise InputError(f"{name}: is encrypted.", "Unpack the archive first, with its password.")
    _, begin = _from_local_header(source, member.at)
    window = _Window(source, begin, member.size)
    if member.method == _STORED:
        return _Checked(window, member.crc, report)
    if member.method not in _KINDS:
        raise InputError(
            f"{name}: is packed by a method (number {member.method}) that is not supported.",
            "Unpack the archive first.",
        )
    said: list[str] = []

    def say_it(where: str, what: str, /, **marks: bool) -> None:
        said.append(where)
        report(where, what, **marks)

    def say_if_new(where: str, what: str, /, **marks: bool) -> None:
        if not said:  # of data that is cut or damaged the checksum differs anyway
            report(where, what, **marks)

    packed = io.BufferedReader(window)
    kind = _KINDS[member.method]
    plain = Inflated(packed, kind, name=name, limits=limits, report=say_it)
    return _Checked(plain, member.crc, say_if_new)


class _Window(io.RawIOBase):
    """A stretch of a file."""

    def __init__(self, source: BinaryIO, begin: int, size: int | None) -> None:
        super().__init__()
        self._source = source
        self._begin = begin
        self._size = size
        self._at = 0

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        base = {io.SEEK_SET: 0, io.SEEK_CUR: self._at}.get(whence)
        if base is None:
            raise OSError("a stretch of a file cannot seek from its end")
        self._at = max(0, base + offset)
        return self._at

    def tell(self) -> int:
        return self._at

    def readinto(self, buffer: Buffer) -> int:
        view = memoryview(buffer).cast("B")
        left = len(view) if self._size is None else min(len(view), self._size - self._at)
        if left <= 0:
            return 0
        self._source.seek(self._begin + self._at)
        data = self._source.read(left)
        view[: len(data)] = data
        self._at += len(data)
        return len(data)


class _Checked(io.RawIOBase):
    """Bytes whose checksum is compared with the archive's once they are all read."""

    def __init__(self, inner: io.RawIOBase, crc: int | None, report: Report) -> None:
        super().__init__()
        self._inner = inner
        self._expected = crc
        self._crc = 0
        self._report = report

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Buffer) -> int:
        view = memoryview(buffer).cast("B")
        got = self._inner.readinto(view) or 0
        self._crc = zlib.crc32(view[:got], self._crc)
        if not got and self._expected not in (None, self._crc):
            self._expected = None  # say it once
            what = "its checksum in the archive differs: parts are damaged"
            self._report("the whole file", what, doubtful=True)
        return got
