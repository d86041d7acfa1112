"""Files in each other's place, archives that carry bad knowledge, and counts beyond all use."""

from __future__ import annotations

import io
import zipfile
from typing import TYPE_CHECKING

from tests.frames.hostile.case import (
    DBC,
    RIDE,
    TYPED,
    UNUSABLE,
    USED,
    Case,
    beside,
    case_file,
    database,
    log,
    profile,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

REPORT = ("report", "ride.log", "--dbc", "v.dbc")
WORDS = "canassist.toml"


def _zipped(members: Mapping[str, bytes | str], *typed: object) -> Callable[[Path], list[object]]:
    """Return a builder: an archive of these members, and what is typed about it."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return beside("ride.zip", packed.getvalue(), *typed)


def _linked() -> bytes:
    """Return an archive with a symbolic link among its logs."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("ride.log", RIDE)
        link = zipfile.ZipInfo("passwords.log")
        link.external_attr = 0o120777 << 16
        archive.writestr(link, "/etc/passwd")
    return packed.getvalue()


def _of_many_ids(count: int) -> bytes:
    lines = (f"({1_700_000_000 + n / 1e4:.6f}) can0 {n + 1:08X}#00\n" for n in range(count))
    return "".join(lines).encode()


def _of_many_pairs(buses: int, ids: int) -> bytes:
    return "".join(
        f"({1_700_000_000 + (b * ids + n) / 1e4:.6f}) b{b} {n:03X}#00\n"
        for n in range(ids)
        for b in range(buses)
    ).encode()


def _laughs(depth: int) -> str:
    """Return a KCD file whose entities grow tenfold with each of so many steps."""
    steps = "".join(f'<!ENTITY a{n} "{f"&a{n - 1};" * 10 if n else "ha"}">' for n in range(depth))
    return (
        f'<?xml version="1.0"?><!DOCTYPE x [{steps}]>'
        f'<NetworkDefinition xmlns="http://kayak.2codeornot2code.org/1.0">&a{depth - 1};'
        "</NetworkDefinition>"
    )


OUTSIDE = (
    '<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/passwd">]>'
    '<NetworkDefinition xmlns="http://kayak.2codeornot2code.org/1.0">&a;</NetworkDefinition>'
)
ASC_HEAD = "date Mon Jan 1 00:00:00.000 2024\nbase hex  timestamps absolute\n"
TRC_HEAD = ";$FILEVERSION=99.9\n;$STARTTIME=99999999.5\n"


def _odd(name: str, text: str, *statuses: int) -> Case:
    build = beside(name, text, "report", "ride.log", "--dbc", name)
    return Case(f"a database {name}", build, statuses or (UNUSABLE,))


SWAPPED = [
    Case("a database as the log", beside("x", "", "report", "v.dbc"), [TYPED], "where a log belongs"),
    Case("the log as the database", beside("x", "", "report", "ride.log", "--dbc", "ride.log"), [TYPED], "given twice"),
    Case("the log as the profile", beside("x", "", *REPORT, "--profile", "ride.log"), [UNUSABLE]),
    Case("the database as the profile", beside("x", "", *REPORT, "--profile", "v.dbc"), [TYPED], "is a signal database"),
    Case("the log as the case file", beside("x", "", *REPORT, "--case", "ride.log"), [UNUSABLE, TYPED]),
    Case("a profile as the log", beside("p.toml", "[limits]\n", "report", "p.toml"), [TYPED], "where a log belongs"),
    Case("a database that names no file", beside("x", "", "report", "ride.log", "--dbc", "can0="), [UNUSABLE, TYPED]),
    Case("a database for a bus without a name", beside("x", "", "report", "ride.log", "--dbc", "=v.dbc"), [UNUSABLE, TYPED]),
    Case("a database for a bus that is not there", beside("x", "", "report", "ride.log", "--dbc", "can9=v.dbc"), [USED, UNUSABLE, TYPED]),
    Case("one database 200 times", beside("x", "", "report", "ride.log", *["--dbc", "v.dbc"] * 200), [TYPED], "given twice"),
    Case("one log 200 times", beside("x", "", "report", *["ride.log"] * 200, "--dbc", "v.dbc"), [TYPED], "given twice"),
    Case("2,000 moments typed", beside("x", "", *REPORT, *["--at", "0:03"] * 2000), [USED, TYPED]),
    Case("a folder of notes as one side", beside("x", "", "compare", ".", "ride.log", "--dbc", "v.dbc"), [USED, UNUSABLE, TYPED]),
    Case("a key that is the log", beside("x", "", "verify", "ride.log", "--key", "ride.log"), [UNUSABLE, TYPED]),
    Case("a profile written into no folder", beside("x", "", "channels", "ride.log", "--dbc", "v.dbc", "--write", "no/p.toml"), [TYPED]),
    Case("a zone of the system that is none", beside("x", "", *REPORT), [USED], env=(("TZ", "Nowhere/At_All"), ("LANG", "C"), ("HOME", "/nonexistent"))),
]  # fmt: skip

KNOWLEDGE = [
    Case("a zip with a profile 50,000 deep", _zipped({"ride.log": RIDE, "v.dbc": DBC, "p.toml": "a = " + "[" * 50_000}, "report", "ride.zip"), [USED]),
    Case("a zip with a database of zeros", _zipped({"ride.log": RIDE, "v.dbc": bytes(5000)}, "report", "ride.zip"), [USED]),
    Case("a zip with 300 databases", _zipped({"ride.log": RIDE} | {f"{n}.dbc": DBC for n in range(300)}, "report", "ride.zip"), [USED]),
    Case("a zip whose database would climb", _zipped({"ride.log": RIDE, "../../v.dbc": DBC, "/srv/p.toml": "[limits]\n"}, "report", "ride.zip"), [USED]),
    Case("a zip with a link in it", beside("ride.zip", _linked(), "report", "ride.zip", "--dbc", "v.dbc"), [USED]),
    Case("channels of a zip of zeros", _zipped({"ride.log": bytes(5000), "v.dbc": DBC}, "channels", "ride.zip"), [UNUSABLE]),
    Case("channels of a zip with a bad profile", _zipped({"ride.log": RIDE, "v.dbc": DBC, "p.toml": "[[[["}, "channels", "ride.zip"), [USED], "left out"),
    _odd("laughs.kcd", _laughs(12)),
    _odd("outside.kcd", OUTSIDE),
    _odd("zeros.arxml", "\0" * 5000),
    _odd("notes.sym", "heavy\n" * 500),
    Case("a project file of 20,000 databases", beside(WORDS, 'database = [' + '"v.dbc",' * 20_000 + "]\n", "report", "ride.log"), [USED, UNUSABLE, TYPED], big=True),
    Case("a project file of units that are none", beside(WORDS, 'units = "parsec"\nzone = "../x"\n', *REPORT), [UNUSABLE, TYPED]),
    Case("a case file whose recorder lost all", case_file("[recording]\nholes_log_s = [[0, 1e300], [-1e300, 5]]\n"), [USED, UNUSABLE, TYPED]),
    Case("a case file of raw moments beyond all", case_file("at_log = [1e300, -1e300]\n"), [USED, UNUSABLE, TYPED]),
    Case("a profile with 20,000 checks of messages", profile('[[integrity]]\nmessage = "ChassisMotion"\ncounter = "No"\n' * 20_000), [USED, UNUSABLE], big=True),
    Case("a profile with 50,000 words of status", profile("[status]\nreduced = [" + '"x",' * 50_000 + "]\n"), [USED, UNUSABLE], big=True),
    Case("a database with one message 3,000 times", database(DBC + DBC.split("BU_: Node\n")[1] * 3000), [USED, UNUSABLE], big=True),
]  # fmt: skip

COUNTS = [
    Case("a frame an identifier, 100,000 of them", log(_of_many_ids(100_000)), [USED], big=True),
    Case("250 buses of 400 identifiers", log(_of_many_pairs(250, 400)), [USED], big=True),
    Case("ASC of 50,000 trigger blocks", log((ASC_HEAD + "Begin Triggerblock\n0.1 1 123 Rx d 1 00\nEnd TriggerBlock\n" * 50_000).encode(), "ride.asc"), [USED], big=True),
    Case("ASC whose date is none", log(b"date Foo Bar 99 99:99:99 0000\nbase hex timestamps absolute\n" + b"0.1 1 123 Rx d 1 00\n" * 50, "ride.asc"), [USED]),
    Case("TRC of version 99", log((TRC_HEAD + "1) 0.1 Rx 0123 1 00\n" * 50).encode(), "ride.trc"), [USED, UNUSABLE]),
    Case("CSV of 100,000 columns", log((",".join(["time,id,data"] + ["x"] * 100_000) + "\n" + "0.1,123,00\n" * 50).encode(), "ride.csv"), [USED, UNUSABLE]),
    Case("CSV of one heading of 5 MB", log(b"time,id,data" + b"x" * (5 << 20) + b"\n0.1,123,00\n", "ride.csv"), [USED, UNUSABLE], big=True),
]  # fmt: skip

MISPLACED = [*SWAPPED, *KNOWLEDGE, *COUNTS]
