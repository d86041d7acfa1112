"""Hostile databases, profiles, case files, project files, and pages given to ``verify``."""

from __future__ import annotations

from tests.frames.hostile.case import (
    DBC,
    DENIED,
    RIDE,
    TYPED,
    UNUSABLE,
    USED,
    Case,
    beside,
    case_file,
    database,
    profile,
)

HEAD = 'VERSION ""\nNS_ :\nBS_:\nBU_: Node\n'
DEEP = 50_000


def _signals(count: int) -> str:
    return "".join(f' SG_ S{n} : {n % 64}|1@1+ (1,0) [0|0] "" Node\n' for n in range(count))


def _messages(count: int) -> str:
    return "".join(
        f'BO_ {n} M{n}: 8 Node\n SG_ S : 0|16@1+ (1,0) [0|0] "" Node\n' for n in range(count)
    )


def _selectors(depth: int) -> str:
    """Return a message in which each selector is selected by the one before it."""
    lines = ["BO_ 291 M: 8 Node", ' SG_ S0 M : 0|8@1+ (1,0) [0|0] "" Node']
    lines += [f' SG_ S{n} m1M : {n % 56}|8@1+ (1,0) [0|0] "" Node' for n in range(1, depth)]
    chain = [f"SG_MUL_VAL_ 291 S{n} S{n - 1} 1-1;" for n in range(1, depth)]
    return "\n".join([*lines, *chain, ""])


def _one_signal(body: str) -> str:
    return f"{HEAD}BO_ 291 M: 8 Node\n SG_ RoadSpeed : {body}\n"


def _page(body: bytes | str, *more: object) -> object:
    return beside("p.html", body, "verify", "p.html", *more)


def _verified(name: str, body: bytes | str, *, big: bool = False, says: str = "no report") -> Case:
    return Case(name, beside("p.html", body, "verify", "p.html"), [UNUSABLE, DENIED], says, big=big)


DATABASES = [
    Case("an empty database", database(""), [UNUSABLE]),
    Case("a database of zeros", database(bytes(9000)), [UNUSABLE]),
    Case("a database of notes", database("heavy\n" * 500), [UNUSABLE]),
    Case("a database with one bad line", database(DBC + "BO_ what\n"), [USED]),
    Case("a database cut in a line", database(DBC[:-30]), [USED, UNUSABLE]),
    Case("a database in UTF-16", database(DBC.encode("utf-16")), [USED, UNUSABLE]),
    Case("a signal beyond its message", database(_one_signal('60|16@1+ (1,0) [0|0] "" Node')), [USED, UNUSABLE]),
    Case("a signal of no bits", database(_one_signal('0|0@1+ (1,0) [0|0] "" Node')), [USED, UNUSABLE]),
    Case("a signal of 9,999 bits", database(_one_signal('0|9999@1+ (1,0) [0|0] "" Node')), [USED, UNUSABLE]),
    Case("a factor of nothing", database(_one_signal('0|16@1+ (0,0) [0|0] "km/h" Node')), [USED]),
    Case("a factor beyond a float", database(_one_signal('0|16@1+ (1e999,0) [0|0] "km/h" Node')), [USED, UNUSABLE]),
    Case("a factor not a number", database(_one_signal('0|16@1+ (nan,0) [0|0] "km/h" Node')), [USED, UNUSABLE]),
    Case("a range upside down", database(_one_signal('0|16@1+ (1,0) [9|0] "km/h" Node')), [USED]),
    Case("an offset of 300 digits", database(_one_signal(f'0|16@1+ (1,{"9" * 300}) [0|0] "km/h" Node')), [USED, UNUSABLE]),
    Case("a name like a page", database(DBC.replace("RoadSpeed", "RoadSpeed").replace('"km/h"', '"<img src=x onerror=alert(1)>"')), [USED]),
    Case("a unit of 100,000 letters", database(DBC.replace("km/h", "u" * 100_000)), [USED]),
    Case("a comment that never ends", database(DBC + 'CM_ "' + "x" * 300_000), [USED, UNUSABLE]),
    Case("selectors 200 deep", database(HEAD + _selectors(200)), [USED, UNUSABLE]),
    Case("selectors 5,000 deep", database(HEAD + _selectors(5000)), [USED, UNUSABLE], big=True),
    Case("selectors in a circle", database(HEAD + _selectors(3) + "SG_MUL_VAL_ 291 S0 S2 1-1;\n"), [USED, UNUSABLE]),
    Case("a selector range of 2^60", database(HEAD + _selectors(2).replace("1-1;", f"0-{1 << 60};")), [USED, UNUSABLE]),
    Case("2,000 signals in one message", database(f"{HEAD}BO_ 291 M: 8 Node\n{_signals(2000)}"), [USED, UNUSABLE]),
    Case("2,000 messages", database(HEAD + _messages(2000)), [USED], big=True),
    Case("a message of 2^31", database(HEAD + "BO_ 99999999999 M: 8 Node\n"), [UNUSABLE]),
    Case("a message of 1 GB", database(HEAD + "BO_ 291 M: 999999999 Node\n SG_ A : 0|8@1+ (1,0) [0|0] \"\" Node\n"), [USED, UNUSABLE]),
    Case("5 MB of opening brackets", database(DBC + "(" * (5 << 20)), [USED, UNUSABLE], big=True),
    Case("a table of values of 50,000 rows", database(DBC + "VAL_ 291 RoadSpeed " + " ".join(f'{n} "v{n}"' for n in range(50_000)) + " ;\n"), [USED], big=True),
]  # fmt: skip

PROFILES = [
    Case("an empty profile", profile(""), [USED]),
    Case("a profile of zeros", profile(bytes(5000)), [UNUSABLE]),
    Case("a profile that is no TOML", profile("[[[["), [UNUSABLE]),
    Case("a profile that is not UTF-8", profile(b'[vehicle]\nname = "\xff"\n'), [UNUSABLE]),
    Case("a profile of lists 50,000 deep", profile("a = " + "[" * DEEP + "]" * DEEP), [UNUSABLE]),
    Case("a profile of tables 50,000 deep", profile("a = " + "{b=" * DEEP + "1" + "}" * DEEP), [UNUSABLE]),
    Case("a profile of a key 50,000 deep", profile(".".join("a" * DEEP) + " = 1\n"), [UNUSABLE]),
    Case("a profile of a header 50,000 deep", profile("[" + ".".join("a" * DEEP) + "]\n"), [UNUSABLE]),
    Case("a profile of ten keys 5,000 deep", profile("".join(".".join(f"k{n}" for _ in range(5000)) + f".z{n} = 1\n" for n in range(10))), [UNUSABLE]),
    Case("a profile of a number of 100,000 digits", profile("[limits]\nundervoltage_v = " + "9" * 100_000 + "\n"), [UNUSABLE]),
    Case("a profile of infinity", profile("[limits]\nundervoltage_v = inf\n"), [UNUSABLE]),
    Case("a profile not a number", profile("[limits]\nundervoltage_v = nan\n"), [UNUSABLE]),
    Case("a profile with an unknown limit", profile("[limits]\nundervolt = 1\n"), [UNUSABLE], "undervoltage_v"),
    Case("a profile with a text for a number", profile('[limits]\nundervoltage_v = "low"\n'), [UNUSABLE]),
    Case("a profile of version 99", profile("profile = 99\n"), [UNUSABLE]),
    Case("a profile with a curve of 100,000 points", profile("[protection]\ntemperature = [" + ",".join(f"[{n},50]" for n in range(100_000)) + "]\n"), [USED, UNUSABLE], big=True),
    Case("a profile that runs backwards", profile("[protection]\ntemperature = [[90,0],[80,100]]\n"), [USED, UNUSABLE]),
    Case("a profile with an empty map", profile('[assist_map]\nspeed_kph = []\n"*" = []\n'), [UNUSABLE]),
    Case("a profile with a signal of no database", profile('[channels]\nvehicle_speed = "No.Such"\n'), [UNUSABLE]),
    Case("a profile with a name like a page", profile('[vehicle]\nname = "</script><script>alert(1)</script>"\n'), [USED]),
    Case("a profile of 5 MB of comments", profile("# x\n" * (5 << 18)), [USED, UNUSABLE], big=True),
]  # fmt: skip

CASE_FILES = [
    Case("a case file that is no TOML", case_file("= ="), [UNUSABLE]),
    Case("a case file with an unknown key", case_file('colour = "red"\n'), [UNUSABLE], "colour"),
    Case("a case file 50,000 deep", case_file("a = " + "[" * DEEP), [UNUSABLE]),
    Case("a case file of a key 50,000 deep", case_file(".".join("a" * DEEP) + " = 1\n"), [UNUSABLE]),
    Case("a case file with moments of 10^300", case_file("at_log = [1e300]\n"), [USED, UNUSABLE]),
    Case("a case file with a moment not a number", case_file("at_log = [nan]\n"), [UNUSABLE]),
    Case("a case file with 5,000 moments", case_file("at_log = [" + "1700000001.0, " * 5000 + "]\n"), [USED, UNUSABLE]),
    Case("a case file with a text of 1 MB", case_file(f'complaint = "{"x" * (1 << 20)}"\n'), [USED, UNUSABLE]),
    Case("a case file that is missing", beside("x", "", "report", "ride.log", "--case", "none.toml"), [UNUSABLE], "no such file"),
    Case("a case file that is a folder", beside("x", "", "report", "ride.log", "--case", "."), [UNUSABLE, TYPED]),
    Case("a project file 50,000 deep", beside("canassist.toml", "a = " + "[" * DEEP, "report", "ride.log"), [UNUSABLE]),
    Case("a project file that names itself", beside("canassist.toml", 'database = "canassist.toml"\n', "report", "ride.log"), [UNUSABLE]),
    Case("a project file with an absolute path", beside("canassist.toml", 'database = "/etc/passwd"\n', "report", "ride.log"), [UNUSABLE]),
]  # fmt: skip

PAGES = [
    _verified("verify nothing", ""),
    _verified("verify zeros", bytes(9000)),
    _verified("verify 5 MB of tags", "<div>" * (1 << 20), big=True),
    _verified("verify 5 MB of one open tag", "<" * (5 << 20), big=True),
    _verified("verify 5 MB of attributes", "<a " + "x='" * (5 << 18), big=True),
    _verified("verify an open comment of 5 MB", "<!--" + "-" * (5 << 20), big=True),
    _verified("verify 100,000 scripts", "<script>" * 100_000, big=True),
    _verified("verify a page of another program", "<!DOCTYPE html><title>x</title>"),
    _verified("verify JSON 50,000 deep", '<script type="application/json">' + "[" * DEEP + "</script>"),
    Case("verify a folder", beside("x", "", "verify", "."), [UNUSABLE, TYPED]),
    Case("verify what is missing", beside("x", "", "verify", "none.html"), [UNUSABLE]),
    Case("verify a log", beside("x", RIDE, "verify", "x"), [UNUSABLE], "no report"),
]  # fmt: skip

SETTINGS = [*DATABASES, *PROFILES, *CASE_FILES, *PAGES]
