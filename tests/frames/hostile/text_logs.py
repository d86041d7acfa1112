"""Hostile text logs."""

from __future__ import annotations

from tests.frames.hostile.case import (
    FIVE_MEGABYTES,
    RIDE,
    UNUSABLE,
    USED,
    Case,
    candump,
    frames,
    log,
)
from tests.frames.more_formats import TABLE_HEADER
from tests.frames.test_delimited import HEADER, base64_line
from tests.frames.test_trc import HEADERS
from tests.frames.text_writers import ASC_HEADER, asc_line

LINES = RIDE.splitlines(keepends=True)
HALF = len(LINES) // 2
ASC = (
    ASC_HEADER
    + "".join(
        f"{asc_line(one)}\n"
        for one in (frame._replace(bus="1") for frame in frames(700, start_s=0))
    )
).encode()


def _amid(there: bytes) -> bytes:
    return b"".join([*LINES[:HALF], there, *LINES[HALF:]])


def _csv(header: str, *rows: str) -> bytes:
    return "\n".join([header, *rows, ""]).encode()


def _dated(stamp: str) -> bytes:
    rows = (f"{stamp.format(second=n % 60)},123,8,01 02 03 04 05 06 07 08" for n in range(60))
    return _csv("time,id,dlc,data", *rows)


def _years(count: int) -> bytes:
    """Return a few frames, years apart from each other."""
    return candump(frames(count, step_ns=10**9 * 86_400 * 365))


def _padded(line: bytes, size: int = FIVE_MEGABYTES) -> bytes:
    return line * (size // len(line) + 1)


def _nul_lines() -> bytes:
    return b"".join(line[:20] + b"\0\0\0" + line[20:] for line in LINES)


def _isotp(length: int) -> bytes:
    """Return a first frame that announces `length` bytes by 32 bits, and 9,000 that follow."""
    first = bytes([0x10, 0x00]) + length.to_bytes(4, "big") + b"\x62\xf1"
    rows = [first, *(bytes([0x20 | n % 16]) + bytes(7) for n in range(1, 9000))]
    samples = frames(len(rows), step_ns=10**6)
    return candump(
        [one._replace(can_id=0x7E8, data=data) for one, data in zip(samples, rows, strict=True)]
    )


def _seven(rows: int = 60) -> list[str]:
    return [f"{n / 10:.6f},0,1,7,8" for n in range(rows)]


TEXT_LOGS = [
    Case("empty", log(b""), [UNUSABLE], "empty"),
    Case("one byte", log(b"("), [UNUSABLE]),
    Case("one blank line", log(b"\n"), [UNUSABLE]),
    Case("only line feeds", log(b"\n" * FIVE_MEGABYTES), [UNUSABLE], big=True),
    Case("only NUL bytes", log(bytes(100_000)), [UNUSABLE]),
    Case("only 0xFF bytes", log(b"\xff" * 100_000), [UNUSABLE]),
    Case("notes", log(b"heavy after ten minutes\n"), [UNUSABLE], "heavy after ten minutes"),
    Case("notes of one endless line", log(b"x" * 300_000), [UNUSABLE], "unknown layout"),
    Case("a first line of colour codes", log(b"\x1b[31mred\x1b[0m\nx\n"), [UNUSABLE]),
    Case("a line of 5 MB", log(_padded(b"(1700000000.0) can0 123#")), [UNUSABLE], big=True),
    Case("a line of 2 MB amid frames", log(_amid(b"9" * (2 << 20) + b"\n")), [USED], "dropped"),
    Case("NUL bytes inside every line", log(_nul_lines()), [UNUSABLE], "zero byte"),
    Case("a run of NUL bytes between lines", log(_amid(bytes(5000))), [USED], "zero byte"),
    Case("carriage returns alone", log(RIDE.replace(b"\n", b"\r")), [USED]),
    Case("UTF-16 with its mark", log(RIDE.decode().encode("utf-16")), [USED]),
    Case("UTF-16 cut within a letter", log(RIDE.decode().encode("utf-16")[:-1]), [USED]),
    Case("frames years apart", log(_years(40)), [USED, UNUSABLE]),
    Case("a frame a year, 20 kB", log(_years(250)), [USED, UNUSABLE]),
    Case("times that all are one", log(candump(frames(700, step_ns=0))), [USED]),
    Case("times that run back", log(candump(frames(700)[::-1])), [USED]),
    Case("a last frame in the year 2286", log(_amid(b"") + b"(9999999999.9) can0 123#00\n"), [USED]),
    Case("ten digits of seconds, none less", log(b"(9999999999.999999) can0 123#00\n"), [UNUSABLE]),
    Case("identifiers beyond 29 bits", log(_padded(b"(1.0) can0 FFFFFFFF#00\n", 10**5)), [UNUSABLE]),
    Case("a negative identifier", log(_padded(b"(1.0) can0 -23#00\n", 10**5)), [UNUSABLE]),
    Case("an odd number of digits", log(_padded(b"(1.0) can0 123#000\n", 10**5)), [UNUSABLE]),
    Case("65 bytes of data", log(b"(1.0) can0 123##0" + b"00" * 65 + b"\n"), [UNUSABLE]),
    Case("300 buses", log(b"".join(line.replace(b"can0", b"c%d" % (n % 300)) for n, line in enumerate(LINES))), [USED]),
    Case("a bus named like a page", log(RIDE.replace(b"can0", b"<script>alert(1)</script>")), [USED]),
    Case("ISO-TP that announces 4 GB", log(_isotp(2**32 - 1)), [USED]),
    Case("ISO-TP of 5,000 bytes", log(_isotp(5000)), [USED]),
    Case("a run of garbage of 5 MB", log(RIDE + _padded(b"%$&/()=?\n")), [USED], "skipped", big=True),
    Case("garbage every other line", log(b"".join(line + b"garbage\n" for line in LINES)), [USED], "skipped"),
    Case("a million shapes of line", log(b"".join(b"(%d.%0*d) can0 123#%s\n" % (n, 1 + n % 9, 1, b"00" * (n % 9)) for n in range(20_000))), [USED]),
    Case("5 MB of frames", log(candump(frames(110_000, step_ns=10**6))), [USED], big=True),
    Case("2048 identifiers", log(candump([one._replace(can_id=n % 2048) for n, one in enumerate(frames(20_000))])), [USED], big=True),
    Case("100,000 identifiers", log(b"".join(b"(%d.%06d) can0 %08X#0011\n" % (1700000000 + n // 1000, n % 1000 * 1000, n) for n in range(100_000))), [USED], big=True),
    # ASC
    Case("ASC header alone", log(ASC_HEADER.encode(), "ride.asc"), [UNUSABLE], "no"),
    Case("ASC of 3,000 headers", log((ASC_HEADER * 3000).encode() + ASC, "ride.asc"), [USED]),
    Case("ASC with a year 0 date", log(ASC.replace(b"2017", b"0000"), "ride.asc"), [USED]),
    Case("ASC with an endless number", log(ASC + b"1" * 4000 + b".0 1 123 Rx d 1 00\n", "ride.asc"), [USED]),
    Case("ASC that says decimal and is not", log(ASC.replace(b"base hex", b"base dec"), "ride.asc"), [USED]),
    Case("ASC with a length of 255", log(ASC + b"99.0 1 123 Rx d 255 00\n", "ride.asc"), [USED]),
    Case("ASC of error frames alone", log(ASC_HEADER.encode() + b"".join(b"   %d.0 1  ErrorFrame\n" % n for n in range(900)), "ride.asc"), [USED]),
    Case("ASC with relative times of years", log((ASC_HEADER.replace("absolute", "relative")).encode() + b"99999999.0 1 123 Rx d 1 00\n" * 50, "ride.asc"), [USED, UNUSABLE]),
    # TRC
    Case("TRC header alone", log(HEADERS["1.1"].encode(), "ride.trc"), [UNUSABLE]),
    Case("TRC of version 9.9", log(b";$FILEVERSION=9.9\n;$STARTTIME=1\n1) 1.0 Rx 0123 8 00\n", "ride.trc"), [UNUSABLE]),
    Case("TRC begun on day 10^300", log(b";$FILEVERSION=1.1\n;$STARTTIME=1e300\n" + b"   1)   1.0  Rx  0123  1  00\n" * 9, "ride.trc"), [USED]),
    Case("TRC begun on no day", log(b";$FILEVERSION=1.1\n;$STARTTIME=nan\n" + b"   1)   1.0  Rx  0123  1  00\n" * 9, "ride.trc"), [USED]),
    Case("TRC columns of ten thousand letters", log(b";$FILEVERSION=2.1\n;$COLUMNS=" + b"N," * 10_000 + b"\n 1 1.0 DT 1 0123 Rx - 1 00\n", "ride.trc"), [USED, UNUSABLE]),
    # CSV
    Case("CSV header alone", log(TABLE_HEADER.encode(), "ride.csv"), [UNUSABLE]),
    Case("CSV of 20,000 columns", log(_csv(",".join(f"c{n}" for n in range(20_000)), *_seven()), "ride.csv"), [UNUSABLE]),
    Case("CSV without an identifier", log(_csv("time,bus,dlc,data", *_seven()), "ride.csv"), [UNUSABLE], "column"),
    Case("CSV of slashed dates, day first", log(_dated("31/12/2023 10:00:{second:02d}"), "ride.csv"), [USED]),
    Case("CSV of slashed dates, month first", log(_dated("12/31/2023 10:00:{second:02d}"), "ride.csv"), [USED]),
    Case("CSV of slashed dates of either", log(_dated("01/02/2023 10:00:{second:02d}"), "ride.csv"), [USED]),
    Case("CSV of dates that are none", log(_dated("32/13/2023 10:00:{second:02d}"), "ride.csv"), [UNUSABLE]),
    Case("CSV with a date in year 99999", log(_dated("99999-01-01 10:00:{second:02d}"), "ride.csv"), [USED]),
    Case("CSV of infinite times", log(_csv("time_s,id,dlc,data", *("inf,123,1,00" for _ in range(9))), "ride.csv"), [UNUSABLE]),
    Case("CSV of times not a number", log(_csv("time_s,id,dlc,data", *("nan,123,1,00" for _ in range(9))), "ride.csv"), [UNUSABLE]),
    Case("CSV of times beyond a float", log(_csv("time_s,id,dlc,data", *("1e999,123,1,00" for _ in range(9))), "ride.csv"), [UNUSABLE]),
    Case("CSV of negative identifiers", log(_csv("time_s,id,dlc,data", *("1.0,-123,1,00" for _ in range(9))), "ride.csv"), [UNUSABLE]),
    Case("CSV in quotes that never end", log(b'time_s,id,dlc,data\n"' + b"1.0,123,1,00\n" * 5000, "ride.csv"), [USED, UNUSABLE]),
    Case("CSV base64 of no alphabet", log((HEADER + "1.0,0x123,0,0,0,8,!!!!\n" * 50).encode(), "ride.csv"), [UNUSABLE]),
    Case("CSV base64 cut within a line", log((HEADER + "".join(map(base64_line, frames(90)))).encode()[:-9], "ride.csv"), [USED]),
    # terminal listings
    Case("a listing that dropped frames", log(b" (000.100000)  can0  123   [1]  00\nDROPCOUNT: dropped 99999999999999999999 CAN frames\n" * 40, "ride.txt"), [USED]),
    Case("a listing with 99 bytes", log(b" (000.100000)  can0  123  [99]  00 11\n" * 40, "ride.txt"), [USED, UNUSABLE]),
]  # fmt: skip
