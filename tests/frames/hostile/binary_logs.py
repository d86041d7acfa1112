"""Hostile binary logs: headers that lie about sizes, counts, links and what is nested."""

from __future__ import annotations

import sqlite3
import struct
from typing import TYPE_CHECKING

from tests.frames.blf_writer import HEADER_BYTES, Packing, object_of
from tests.frames.hostile.case import FIVE_MEGABYTES, UNUSABLE, USED, Case, frames, log
from tests.frames.test_pcap import pcap_log, pcapng_log

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

MANY = [one._replace(bus="1") for one in frames(700, start_s=0)]
BLF = Packing(size=2000).file([object_of(one) for one in MANY])
FLAT_BLF = Packing(size=0).file([object_of(one) for one in MANY])
PCAP = pcap_log([one._replace(bus="CAN") for one in frames(700)])
PCAPNG = pcapng_log(frames(700))
MF4_HEAD = b"MDF     4.10    canassis\0\0\0\0" + struct.pack("<H", 410) + bytes(34)


def _over(data: bytes, at: int, there: bytes) -> bytes:
    return data[:at] + there + data[at + len(there) :]


def _noise(data: bytes, every: int) -> bytes:
    """Return the data with a byte turned round now and then, its first 200 kept."""
    changed = bytearray(data)
    for at in range(200, len(data), every):
        changed[at] ^= 0xFF
    return bytes(changed)


def _block(kind: bytes, links: list[int], data: bytes = b"") -> bytes:
    size = 24 + 8 * len(links) + len(data)
    return b"##" + kind + bytes(4) + struct.pack("<QQ", size, len(links)) + struct.pack(
        f"<{len(links)}Q", *links
    ) + data  # fmt: skip


def _mf4_circle() -> bytes:
    """Return a header whose data group follows itself."""
    header = _block(b"HD", [168, 0, 0, 0, 0, 0], bytes(32))
    return MF4_HEAD + header + _block(b"DG", [168, 0, 0, 0], bytes(8))


def _mf4_lying(links: int) -> bytes:
    header = _block(b"HD", [168, 0, 0, 0, 0, 0], bytes(32))
    return MF4_HEAD + header + b"##DG" + bytes(4) + struct.pack("<QQ", 64, links) + bytes(32)


COLUMNS = "ts REAL, arbitration_id INTEGER, extended INTEGER, remote INTEGER, error INTEGER, dlc INTEGER, data BLOB"
Rows = list[tuple[object, ...]]


def _sqlite(
    sql: str = f"CREATE TABLE messages ({COLUMNS})", rows: Rows | None = None
) -> Callable[[Path], list[object]]:
    def build(folder: Path) -> list[object]:
        given = log(b"", "ride.db")(folder)
        (folder / "ride.db").unlink()
        base = sqlite3.connect(folder / "ride.db")
        base.executescript(sql)
        ordinary = [(1.7e9 + n / 100, 0x120 + n % 7, 0, 0, 0, 8, bytes(8)) for n in range(700)]
        base.executemany("INSERT INTO messages VALUES (?,?,?,?,?,?,?)", rows or ordinary)
        base.commit()
        base.close()
        return given

    return build  # fmt: skip


def _sqlite_pages(
    spoil: Callable[[bytearray, int], None], count: int = 3000
) -> Callable[[Path], list[object]]:
    """Return a builder of a database of 512-byte pages that are spoiled one by one."""

    def build(folder: Path) -> list[object]:
        rows: Rows = [(1.7e9 + n / 100, 0x123, 0, 0, 0, 8, bytes(8)) for n in range(count)]
        given = _sqlite(f"PRAGMA page_size=512; CREATE TABLE messages ({COLUMNS})", rows)(folder)
        data = bytearray((folder / "ride.db").read_bytes())
        for at in range(512, len(data), 512):
            spoil(data, at)
        (folder / "ride.db").write_bytes(data)
        return given

    return build  # fmt: skip


INTERIOR, LEAF = 5, 13


def _cells(data: bytearray, at: int) -> list[int]:
    """Return where the cells of a page of a table lie in the file."""
    head = 12 if data[at] == INTERIOR else 8
    count = int.from_bytes(data[at + 3 : at + 5], "big")
    return [at + int.from_bytes(data[at + head + 2 * n : at + head + 2 * n + 2], "big") for n in range(count)]  # fmt: skip


def _to_one_child(data: bytearray, at: int) -> None:
    """Let every link of an inner page lead to the page's first child."""
    if data[at] == INTERIOR:
        cells = _cells(data, at)
        first = data[cells[0] : cells[0] + 4]
        for cell in cells:
            data[cell : cell + 4] = first
        data[at + 8 : at + 12] = first


def _to_itself(data: bytearray, at: int) -> None:
    """Let every link of an inner page but the first lead to the page itself."""
    if data[at] == INTERIOR:
        own = (at // 512 + 1).to_bytes(4, "big")
        for cell in _cells(data, at)[1:]:
            data[cell : cell + 4] = own
        data[at + 8 : at + 12] = own


def _ladder(folder: Path) -> list[object]:
    """Twenty inner pages, each of which links the next some thirty times, down to one leaf."""
    rows: Rows = [(1.7e9 + n / 100, 0x123, 0, 0, 0, 8, bytes(8)) for n in range(6000)]
    given = _sqlite(f"PRAGMA page_size=512; CREATE TABLE messages ({COLUMNS})", rows)(folder)
    data = bytearray((folder / "ride.db").read_bytes())
    pages = range(512, len(data), 512)
    leaves = [at for at in pages if data[at] == LEAF]
    root = next(at for at in pages if data[at] == INTERIOR)
    rungs = [root, *leaves[1:17]]
    for here, below in zip(rungs, [*rungs[1:], leaves[0]], strict=True):
        page = (below // 512 + 1).to_bytes(4, "big")
        cells = [512 - 5 * (n + 1) for n in range(60)]
        body = bytearray(512)
        body[0], body[3:5] = INTERIOR, len(cells).to_bytes(2, "big")
        body[5:7], body[8:12] = min(cells).to_bytes(2, "big"), page
        for n, cell in enumerate(cells):
            body[12 + 2 * n : 14 + 2 * n] = cell.to_bytes(2, "big")
            body[cell : cell + 5] = page + bytes([n + 1])
        data[here : here + 512] = body
    (folder / "ride.db").write_bytes(data)
    return given


def _row(**changed: object) -> Rows:
    usual: dict[str, object] = {
        "ts": 1.7e9,
        "id": 1,
        "ext": 0,
        "remote": 0,
        "error": 0,
        "dlc": 8,
        "data": bytes(8),
    }
    return [tuple((usual | changed).values())] * 50  # fmt: skip


BINARY_LOGS = [
    Case("BLF head alone", log(BLF[:HEADER_BYTES], "ride.blf"), [UNUSABLE]),
    Case("BLF signature alone", log(b"LOGG", "ride.blf"), [UNUSABLE]),
    Case("BLF cut in the middle", log(BLF[: len(BLF) // 2], "ride.blf"), [USED], "ends inside"),
    Case("BLF with bytes turned round", log(_noise(BLF, 997), "ride.blf"), [USED, UNUSABLE]),
    Case("BLF flat, bytes turned round", log(_noise(FLAT_BLF, 997), "ride.blf"), [USED]),
    Case("BLF objects of 4 GB", log(_over(FLAT_BLF, HEADER_BYTES + 8, b"\xff" * 4), "ride.blf"), [USED]),
    Case("BLF objects of no length", log(FLAT_BLF[:HEADER_BYTES] + b"LOBJ" + bytes(60), "ride.blf"), [UNUSABLE]),
    Case("BLF of LOBJ marks", log(BLF[:HEADER_BYTES] + b"LOBJ" * (FIVE_MEGABYTES // 4), "ride.blf"), [UNUSABLE], big=True),
    Case("BLF head of zeros behind its mark", log(b"LOGG" + bytes(4000), "ride.blf"), [UNUSABLE]),
    Case("BLF a container that lies of its size", log(_over(BLF, HEADER_BYTES + 24, b"\xff" * 8), "ride.blf"), [USED, UNUSABLE]),
    Case("PCAP head alone", log(PCAP[:24], "ride.pcap"), [UNUSABLE]),
    Case("PCAP of 4 GB a record", log(_over(PCAP, 32, b"\xff\xff\xff\x7f" * 2), "ride.pcap"), [USED, UNUSABLE]),
    Case("PCAP of another link", log(_over(PCAP, 20, b"\x01\0\0\0"), "ride.pcap"), [UNUSABLE]),
    Case("PCAP cut in the middle", log(PCAP[: len(PCAP) // 2 + 3], "ride.pcap"), [USED]),
    Case("PCAP with bytes turned round", log(_noise(PCAP, 4999), "ride.pcap"), [USED]),
    Case("PCAPNG of blocks without length", log(PCAPNG[:28] + bytes(100_000), "ride.pcapng"), [UNUSABLE]),
    Case("PCAPNG cut in the middle", log(PCAPNG[: len(PCAPNG) // 2 + 3], "ride.pcapng"), [USED]),
    Case("PCAPNG of 100,000 sections", log(PCAPNG[:28] * 100_000, "ride.pcapng"), [UNUSABLE], big=True),
    Case("PCAPNG with bytes turned round", log(_noise(PCAPNG, 4999), "ride.pcapng"), [USED, UNUSABLE]),
    Case("MF4 head alone", log(MF4_HEAD, "ride.mf4"), [UNUSABLE]),
    Case("MF4 mark alone", log(b"MDF     ", "ride.mf4"), [UNUSABLE]),
    Case("MF4 whose groups go in a circle", log(_mf4_circle(), "ride.mf4"), [UNUSABLE]),
    Case("MF4 of 2^60 links", log(_mf4_lying(1 << 60), "ride.mf4"), [UNUSABLE]),
    Case("MF4 of zeros", log(MF4_HEAD + bytes(FIVE_MEGABYTES), "ride.mf4"), [UNUSABLE], big=True),
    Case("MF4 of version 3", log(b"MDF     3.30    " + bytes(4000), "ride.mf4"), [UNUSABLE]),
    Case("SQLite mark alone", log(b"SQLite format 3\0", "ride.db"), [UNUSABLE]),
    Case("SQLite head of zeros", log(b"SQLite format 3\0" + bytes(8000), "ride.db"), [UNUSABLE]),
    Case("SQLite of another program", _sqlite("CREATE TABLE messages (a,b,c,d,e,f,g)"), [UNUSABLE], "no table"),
    Case("SQLite of texts", _sqlite(rows=_row(ts="now", id="x")), [UNUSABLE]),
    Case("SQLite of negative identifiers", _sqlite(rows=_row(id=-5)), [UNUSABLE]),
    Case("SQLite of nulls", _sqlite(rows=_row(ts=None, data=None)), [UNUSABLE]),
    Case("SQLite of times beyond all", _sqlite(rows=_row(ts=1e300)), [UNUSABLE]),
    Case("SQLite of infinite times", _sqlite(rows=_row(ts=float("inf"))), [UNUSABLE]),
    Case("SQLite of data that is text", _sqlite(rows=_row(data="eight...")), [USED]),
    Case("SQLite of lengths of 2^62", _sqlite(rows=_row(dlc=1 << 62)), [UNUSABLE]),
    Case("SQLite with a view beside its table", _sqlite(f"CREATE TABLE messages ({COLUMNS}); CREATE VIEW v AS " "SELECT 1"), [USED]),
    Case("SQLite with a column that is computed", _sqlite(f"CREATE TABLE messages ({COLUMNS}, big GENERATED ALWAYS AS (hex(zeroblob(100000000))) VIRTUAL)".replace("messages", "other") + f"; CREATE TABLE messages ({COLUMNS})"), [USED]),
    Case("SQLite whose links lead to one child", _sqlite_pages(_to_one_child), [USED, UNUSABLE]),
    Case("SQLite whose pages link themselves", _sqlite_pages(_to_itself), [USED, UNUSABLE]),
    Case("SQLite whose pages loop, 200 kB", _sqlite_pages(_to_one_child, 6000), [USED, UNUSABLE], big=True),
    Case("SQLite as a ladder of links", _ladder, [USED, UNUSABLE], big=True),
]  # fmt: skip
