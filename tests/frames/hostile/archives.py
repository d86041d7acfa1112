"""Hostile archives and compressed logs."""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import struct
import zipfile
import zlib
from typing import TYPE_CHECKING

from tests.frames.hostile.case import (
    DBC,
    FIVE_MEGABYTES,
    RIDE,
    TYPED,
    UNUSABLE,
    USED,
    Case,
    candump,
    frames,
    log,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

GIGABYTE = 1 << 30


def _zip(files: Mapping[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", method) as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return packed.getvalue()


def _gzip_of_zeros(size: int) -> bytes:
    packer = zlib.compressobj(9, wbits=31)
    pieces = [packer.compress(bytes(1 << 20)) for _ in range(size >> 20)]
    return b"".join([*pieces, packer.flush()])


def _overlapping(names: Sequence[bytes], plain: bytes) -> bytes:
    """Return an archive whose entries, by its directory's word, all are one and the same member."""
    packer = zlib.compressobj(9, wbits=-15)
    data = packer.compress(plain) + packer.flush()
    facts = (0, 8, 0, 0x21, zlib.crc32(plain), len(data), len(plain))
    body = struct.pack("<4s5H3I2H", b"PK\3\4", 20, *facts, len(names[0]), 0) + names[0] + data
    directory = b"".join(
        struct.pack("<4s6H3I5H2I", b"PK\1\2", 20, 20, *facts, len(name), *[0] * 6) + name
        for name in names
    )
    count = len(names)
    end = struct.pack("<4s4H2IH", b"PK\5\6", 0, 0, count, count, len(directory), len(body), 0)
    return body + directory + end


def _many(count: int) -> bytes:
    """Return an archive of so many entries that overlap, of 1 MB each."""
    return _overlapping([b"%05d.log" % n for n in range(count)], RIDE + b"\n" * (1 << 20))


def _nested(depth: int) -> bytes:
    data = RIDE
    for _ in range(depth):
        data = _zip({"inner.zip": data})
    return data


def _gzipped(times: int) -> bytes:
    data = RIDE
    for _ in range(times):
        data = gzip.compress(data)
    return data


def _halved(data: bytes) -> bytes:
    return data[: len(data) // 2]


RIDE_LATER = candump(frames(700, start_s=1_700_000_007))
OTHER_RIDE = candump([one._replace(data=bytes(8)) for one in frames(700)])
GOOD = _zip({"ride.log": RIDE})

ARCHIVES = [
    Case("a gzip bomb", log(_gzip_of_zeros(3 * GIGABYTE), "ride.log.gz"), [UNUSABLE], big=True),
    Case("a gzip of zeros, 300 MB", log(_gzip_of_zeros(300 << 20), "ride.log.gz"), [UNUSABLE], big=True),
    Case("a gzip head alone", log(gzip.compress(RIDE)[:10], "ride.log.gz"), [UNUSABLE]),
    Case("a gzip cut in half", log(_halved(gzip.compress(RIDE)), "ride.log.gz"), [USED], "gzip"),
    Case("a gzip with a wrong checksum", log(gzip.compress(RIDE)[:-8] + bytes(8), "ride.log.gz"), [USED]),
    Case("gzip in gzip in gzip", log(_gzipped(3), "ride.log.gz"), [USED, UNUSABLE]),
    Case("gzip twenty times", log(_gzipped(20), "ride.log.gz"), [UNUSABLE]),
    Case("an xz cut in half", log(_halved(lzma.compress(RIDE)), "ride.log.xz"), [USED, UNUSABLE]),
    Case("an xz that asks for 4 GB of memory", log(lzma.compress(RIDE, filters=[{"id": lzma.FILTER_LZMA2, "dict_size": 1 << 20}]).replace(b"\x10", b"\x28", 1), "ride.log.xz"), [USED, UNUSABLE]),
    Case("a bz2 cut in half", log(_halved(bz2.compress(RIDE)), "ride.log.bz2"), [USED, UNUSABLE]),
    Case("a zst head alone", log(b"\x28\xb5\x2f\xfd", "ride.log.zst"), [UNUSABLE]),
    Case("a zip head alone", log(b"PK\3\4", "ride.zip"), [UNUSABLE]),
    Case("a zip of nothing", log(_zip({}), "ride.zip"), [UNUSABLE]),
    Case("a zip of an empty log", log(_zip({"a.log": b""}), "ride.zip"), [UNUSABLE]),
    Case("a zip of notes alone", log(_zip({"a.txt": b"heavy\n"}), "ride.zip"), [UNUSABLE]),
    Case("a zip of a log and notes", log(_zip({"a.log": RIDE, "a.pdf": b"%PDF-1.4"}), "ride.zip"), [USED]),
    Case("a zip with names that climb", log(_zip({"../../../../tmp/a.log": RIDE}), "ride.zip"), [USED]),
    Case("a zip with an empty name", log(_overlapping([b""], RIDE), "ride.zip"), [USED, UNUSABLE]),
    Case("a zip with a name of 60,000 letters", log(_zip({"a" * 60_000 + ".log": RIDE}), "ride.zip"), [USED]),
    Case("a zip with names of control letters", log(_zip({"\x1b[31m\n.log": RIDE}), "ride.zip"), [USED]),
    Case("a zip with one name twice", log(_zip({"a/ride.log": RIDE, "b/ride.log": RIDE_LATER}), "ride.zip"), [USED]),
    Case("a zip of two rides", log(_zip({"a.log": RIDE, "b.log": OTHER_RIDE}), "ride.zip"), [TYPED], "different rides"),
    Case("a zip of two parts and a database", log(_zip({"a.log": RIDE, "b.log": RIDE_LATER, "v.dbc": DBC.encode()}), "ride.zip"), [USED]),
    Case("a zip cut in half", log(_halved(GOOD), "ride.zip"), [USED, UNUSABLE]),
    Case("a zip without its directory", log(GOOD[: GOOD.rfind(b"PK\1\2")], "ride.zip"), [USED]),
    Case("a zip that points nowhere", log(GOOD.replace(b"PK\3\4", b"XX\3\4", 1), "ride.zip"), [UNUSABLE]),
    Case("zips in zips, 2 deep", log(_nested(2), "ride.zip"), [USED, UNUSABLE]),
    Case("zips in zips, 9 deep", log(_nested(9), "ride.zip"), [UNUSABLE]),
    Case("a zip of 3,000 logs", log(_zip({f"{n}.log": b"x\n" for n in range(3000)}), "ride.zip"), [UNUSABLE], big=True),
    Case("a zip of 30,000 empty logs", log(_zip({f"{n}.log": b"" for n in range(30_000)}), "ride.zip"), [UNUSABLE], big=True),
    Case("a zip of 200 overlapping entries", log(_many(200), "ride.zip"), [USED, TYPED, UNUSABLE], big=True),
    Case("a zip of 5,000 overlapping entries", log(_many(5000), "ride.zip"), [USED, TYPED, UNUSABLE], big=True),
    Case("a zip of zeros, 500 MB", log(_zip({"a.log": bytes(500 << 20)}), "ride.zip"), [UNUSABLE], big=True),
    Case("a zip of a method of its own", log(GOOD.replace(struct.pack("<HHH", 20, 0, 8), struct.pack("<HHH", 20, 0, 99)), "ride.zip"), [UNUSABLE], "method"),
    Case("an encrypted zip", log(GOOD.replace(struct.pack("<HHH", 20, 0, 8), struct.pack("<HHH", 20, 1, 8)), "ride.zip"), [UNUSABLE], "encrypted"),
    Case("5 MB of zip marks", log(b"PK\3\4" * (FIVE_MEGABYTES // 4), "ride.zip"), [UNUSABLE], big=True),
]  # fmt: skip
