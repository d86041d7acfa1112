"""Databases as people have them: damaged in one place, and used in all others."""

from __future__ import annotations

import itertools
import subprocess
import sys
import time
from typing import TYPE_CHECKING

import pytest
from cantools.database.can import Database
from hypothesis import given, settings
from hypothesis import strategies as st

from canassist.decode import load_databases, split_bus
from canassist.decode.database import dbc_text
from canassist.errors import DatabaseError
from canassist.model import EXTENDED_KEY

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from canassist.decode import Databases

GOOD = """VERSION "1"

NS_ :
\tNS_DESC_
\tCM_
\tBA_

BS_:

BU_: Steering Dash

VAL_TABLE_ Modes 0 "Off" 1 "On" ;

BO_ 100 Motion: 8 Dash
 SG_ Speed : 0|16@1+ (0.01,0) [0|300] "km/h" Steering
 SG_ Mode : 16|2@1+ (1,0) [0|0] "" Steering

BO_ 2566844672 Cruise: 8 Vector__XXX
 SG_ RoadSpeed : 8|16@1+ (0.00390625,0) [0|250.996] "km/h" Vector__XXX

CM_ "A text about the file";
CM_ BO_ 100 "How it moves";
CM_ SG_ 100 Speed "Over the
ground; in two lines";
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;
BA_DEF_ SG_ "SPN" INT 0 524287;
BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG";
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_DEF_DEF_ "SPN" 0;
BA_DEF_DEF_ "VFrameFormat" "StandardCAN";
BA_ "GenMsgCycleTime" BO_ 100 20;
BA_ "VFrameFormat" BO_ 2566844672 3;
BA_ "SPN" SG_ 2566844672 RoadSpeed 84;
VAL_ 100 Mode 0 "Off" 1 "On" 3 "SNA" ;
"""


@pytest.fixture
def load(tmp_path: Path) -> Callable[..., Databases]:
    """Return a function that loads texts or bytes as databases."""

    def loaded(*texts: str | bytes, ending: str = ".dbc") -> Databases:
        paths = []
        for number, text in enumerate(texts):
            path = tmp_path / f"file{number}{ending}"
            path.write_bytes(text.encode() if isinstance(text, str) else text)
            paths.append(path)
        return load_databases(paths)

    return loaded


def whats(databases: Databases) -> str:
    return "\n".join(f"{problem.where}: {problem.what}" for problem in databases.problems)


def test_a_clean_database_is_taken_whole(load: Callable[..., Databases]) -> None:
    databases = load(GOOD)
    motion, cruise = databases.messages
    assert databases.problems == ()
    assert (motion.key, motion.sender, motion.period_s) == (100, "Dash", 0.02)
    assert motion.comment == "How it moves"
    assert motion.by_name["Speed"].comment == "Over the\nground; in two lines"
    assert motion.by_name["Mode"].labels == {0: "Off", 1: "On", 3: "SNA"}
    assert (motion.by_name["Mode"].minimum, motion.by_name["Speed"].maximum) == (None, 300.0)
    assert cruise.key == 0x18FEF100 | EXTENDED_KEY
    assert cruise.j1939
    assert cruise.by_name["RoadSpeed"].spn == 84


def test_a_j1939_message_is_met_from_any_source_and_priority(
    load: Callable[..., Databases],
) -> None:
    databases = load(GOOD)
    for can_id in (0x18FEF100, 0x0CFEF131, 0x18FEF1FE):
        found = databases.message_for(can_id | EXTENDED_KEY, "can0")
        assert found is not None
        assert found.name == "Cruise"
    assert databases.message_for(0x18FEF200 | EXTENDED_KEY, "can0") is None
    assert databases.message_for(0x18FEF100, "can0") is None  # no 29-bit frame


def test_the_protocol_type_alone_marks_j1939(load: Callable[..., Databases]) -> None:
    text = GOOD.replace('BA_DEF_ BO_ "VFrameFormat"', 'BA_DEF_ BO_ "Other"')
    text = text.replace('BA_DEF_DEF_ "VFrameFormat"', 'BA_DEF_DEF_ "Other"')
    text += 'BA_DEF_ "ProtocolType" STRING ;\nBA_DEF_DEF_ "ProtocolType" "";\n'
    assert not load(text).messages[1].j1939
    assert load(text + 'BA_ "ProtocolType" "J1939";\n').messages[1].j1939


DAMAGE = {
    "a comment with marks before its quotes": (
        'CM_ SG_ 100 >>!<<"Speed";',
        "comment cannot be read",
    ),
    "a comment without its end": ('CM_ SG_ 100 Speed "Speed', "comment cannot be read"),
    "words of no statement": ("this is not a statement", "cannot be understood"),
    "a value table with a letter": ('VAL_ 100 Mode a "x" ;', "value table cannot be read"),
    "a float mark without number": ("SIG_VALTYPE_ 100 Speed : x;", "float mark"),
    "an attribute without value": ('BA_ "GenMsgCycleTime" BO_ 100 ;', "GenMsgCycleTime"),
    "multiplexer values without range": ("SG_MUL_VAL_ 100 Mode Speed ;", "multiplexer values"),
    "multiplexer values that run backwards": (
        "SG_MUL_VAL_ 100 Mode Speed 9999999999-0, 0-400000000;",
        "multiplexer values",
    ),
    "a message of gigabytes": ("BO_ 101 Vast: 4294967295 Dash", "do not fit into a frame"),
    "a signal of half a gigabyte": (
        ' SG_ Vast : 0|4294967295@1+ (1,0) [0|0] "" Dash',
        "4294967295 bits, not 1 to 64",
    ),
    "a signal that begins nowhere": (
        ' SG_ Far : 4294967295|8@1+ (1,0) [0|0] "" Dash',
        "bit 4294967295, beyond any frame",
    ),
    "a message without length": ("BO_ 101 Broken: Dash", "message line cannot be read"),
    "a message twice": ("BO_ 100 Again: 8 Dash", "identifier 100 is already defined in line 14"),
    "an 11-bit identifier too large": ("BO_ 2048 Wide: 8 Dash", "too large for 11 bits"),
    "no CAN identifier": ("BO_ 9999999999 Far: 8 Dash", "is no CAN identifier"),
}


@pytest.mark.parametrize("name", DAMAGE)
def test_one_bad_line_costs_that_line_only(load: Callable[..., Databases], name: str) -> None:
    line, complaint = DAMAGE[name]
    databases = load(f"{GOOD}{line}\n")
    assert [message.name for message in databases.messages] == ["Motion", "Cruise"]
    assert [len(message.signals) for message in databases.messages] == [2, 1]
    assert databases.messages[0].by_name["Mode"].labels
    number = GOOD.count("\n") + 1
    assert f"file0.dbc, line {number}: " in whats(databases)
    assert complaint in whats(databases)


SIGNALS = {
    "Zero : 24|8@1+ (0,5)": "has the scale 0",
    "Empty : 24|0@1+ (1,0)": "has 0 bits, not 1 to 64",
    "Wide : 0|65@1+ (1,0)": "has 65 bits",
    "Late : 60|8@1+ (1,0)": "ends in byte 9 of 8",
    "LateBig : 56|9@0+ (1,0)": "ends in byte 9 of 8",
    "Paged m1 : 24|8@1+ (1,0)": "",
    "Speed : 24|8@1+ (1,0)": "signal Speed is already defined in line 15",
    "Öl : 24|8@1+ (1,0)": "signal line cannot be read",
    "Fine : 24|8@1+ (.5,-.5)": "",
}


@pytest.mark.parametrize("head", SIGNALS)
def test_a_bad_signal_is_named_and_the_rest_used(load: Callable[..., Databases], head: str) -> None:
    complaint = SIGNALS[head]
    text = GOOD.replace(" SG_ Mode", f' SG_ {head} [0|0] "" Dash\n SG_ Mode', 1)
    databases = load(text)
    names = {signal.name for signal in databases.messages[0].signals}
    assert {"Speed", "Mode"} <= names
    if complaint:
        assert len(names) == 2
        assert "file0.dbc, line 16: message Motion: signal" in whats(databases)
        assert complaint in whats(databases)
    else:
        assert len(names) == 3
        assert databases.problems == ()


def test_a_float_mark_on_an_odd_length_is_no_float(load: Callable[..., Databases]) -> None:
    databases = load(GOOD + "SIG_VALTYPE_ 100 Mode : 1;\n")
    assert "signal Mode is a float of 2 bits" in whats(databases)
    assert [signal.name for signal in databases.messages[0].signals] == ["Speed"]


def test_overlapping_signals_are_both_kept_and_named(load: Callable[..., Databases]) -> None:
    text = GOOD.replace(" SG_ Mode : 16|2", " SG_ Mode : 15|2")
    databases = load(text)
    assert "signals Speed and Mode overlap" in whats(databases)
    assert len(databases.messages[0].signals) == 2


def test_multiplexed_signals_in_one_place_do_not_overlap(load: Callable[..., Databases]) -> None:
    text = GOOD.replace(
        " SG_ Mode",
        ' SG_ Page M : 24|2@1+ (1,0) [0|0] "" Dash\n'
        ' SG_ A m0 : 32|8@1+ (1,0) [0|0] "" Dash\n SG_ B m1 : 32|8@1+ (1,0) [0|0] "" Dash\n'
        " SG_ Mode",
        1,
    )
    databases = load(text)
    assert databases.problems == ()
    assert databases.messages[0].by_name["B"].selector_values == (1,)


def test_an_endless_list_of_selector_values_is_refused(load: Callable[..., Databases]) -> None:
    pages = ' SG_ Page M : 24|32@1+ (1,0) [0|0] "" Dash\n SG_ A m0 : 56|8@1+ (1,0) [0|0] "" Dash\n'
    text = GOOD.replace(" SG_ Mode", f"{pages} SG_ Mode", 1)
    databases = load(text + "SG_MUL_VAL_ 100 A Page 0-4294967295;\n")
    assert "more than 65536 multiplexer values" in whats(databases)
    assert "A" not in databases.messages[0].by_name


def test_thousands_of_overlaps_take_no_long_time(load: Callable[..., Databases]) -> None:
    lines = [f' SG_ S{n} : 0|8@1+ (1,0) [0|0] "" Dash' for n in range(3000)]
    begin = time.monotonic()
    databases = load("\n".join(["BO_ 256 Crowd: 8 Dash", *lines, ""]))
    assert time.monotonic() - begin < 10.0  # it took half a minute when every pair was told
    assert len(databases.messages[0].signals) == 3000
    assert "overlap" in databases.problems[0].what


def test_value_tables_given_by_name_are_filled_in(load: Callable[..., Databases]) -> None:
    text = GOOD.replace('VAL_ 100 Mode 0 "Off" 1 "On" 3 "SNA" ;', "VAL_ 100 Mode Modes ;")
    assert load(text).messages[0].by_name["Mode"].labels == {0: "Off", 1: "On"}


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_text_is_read_in_any_usual_encoding(load: Callable[..., Databases], encoding: str) -> None:
    text = GOOD.replace('"km/h" Steering', '"°C" Steering').replace("How it moves", "Fährt")
    message = load(text.encode(encoding)).messages[0]
    assert (message.by_name["Speed"].unit, message.comment) == ("°C", "Fährt")


def test_line_ends_of_other_systems_keep_the_line_numbers(load: Callable[..., Databases]) -> None:
    text = (GOOD + "oops\n").replace("\n", "\r\n")
    assert f"line {GOOD.count(chr(10)) + 1}: cannot be understood" in whats(load(text))


def test_long_names_take_the_place_of_short_ones(load: Callable[..., Databases]) -> None:
    text = GOOD + 'BA_DEF_ SG_ "SystemSignalLongSymbol" STRING ;\n'
    text += 'BA_ "SystemSignalLongSymbol" SG_ 100 Speed "SpeedOfTheWholeVehicleOverTheGround";\n'
    assert load(text).find("Motion.SpeedOfTheWholeVehicleOverTheGround")


def test_two_files_that_disagree_are_named_and_the_first_is_used(
    load: Callable[..., Databases],
) -> None:
    other = GOOD.replace("Motion", "Ride").replace("0.01", "0.1")
    databases = load(GOOD, other)
    first = databases.message_for(100, "can0")
    assert first is not None
    assert first.name == "Motion"
    assert "message Ride has the identifier of Motion in file0.dbc" in whats(databases)
    assert len(databases.find("Ride.Speed")) == 1


def test_a_database_can_be_kept_to_one_bus(tmp_path: Path) -> None:
    path = tmp_path / "chassis.dbc"
    path.write_text(GOOD)
    given_path = tmp_path.__class__(f"can1={path}")
    assert split_bus(given_path) == ("can1", path)
    assert split_bus(path) == ("", path)
    databases = load_databases([given_path])
    assert databases.message_for(100, "can0") is None
    assert databases.message_for(100, "can1") is not None


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "no usable message"),
        (b'VERSION ""\nBU_: A\n', "no usable message"),
        (b"\x00\x01\x02binary", "not a text file"),
        (b"<html>an error page</html>", "no usable message"),
        (b"BO_ x y z", "no usable message"),
    ],
)
def test_what_is_no_database_is_refused_with_a_fix(
    load: Callable[..., Databases], content: bytes, words: str
) -> None:
    with pytest.raises(DatabaseError, match=words) as caught:
        load(content)
    assert caught.value.fix


@pytest.mark.parametrize("ending", [".kcd", ".arxml", ".sym"])
def test_a_broken_file_of_another_format_is_refused_with_a_fix(
    load: Callable[..., Databases], ending: str
) -> None:
    with pytest.raises(DatabaseError, match="cannot be read as") as caught:
        load("<open", ending=ending)
    assert caught.value.fix


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(DatabaseError, match=r"none\.dbc"):
        load_databases([tmp_path / "none.dbc"])


@pytest.mark.parametrize("kind", ["kcd", "sym"])
def test_other_formats_give_the_same_layouts(load: Callable[..., Databases], kind: str) -> None:
    database = Database()
    database.add_dbc_string(GOOD)
    text = database.as_kcd_string() if kind == "kcd" else database.as_sym_string()
    ours = load(text, ending=f".{kind}").messages
    assert {(m.name, m.key, m.length) for m in ours} == {
        (m.name, m.key, m.length) for m in load(GOOD).messages
    }
    speed = next(m for m in ours if m.name == "Motion").by_name["Speed"]
    assert (speed.start, speed.length, speed.scale, speed.unit) == (0, 16, 0.01, "km/h")


ARXML = """<?xml version="1.0" encoding="UTF-8"?>
<AUTOSAR xmlns="http://autosar.org/schema/r4.0"><AR-PACKAGES>
<AR-PACKAGE><SHORT-NAME>P</SHORT-NAME><ELEMENTS>
<CAN-CLUSTER><SHORT-NAME>Bus</SHORT-NAME><CAN-CLUSTER-VARIANTS><CAN-CLUSTER-CONDITIONAL>
<PHYSICAL-CHANNELS><CAN-PHYSICAL-CHANNEL><SHORT-NAME>C</SHORT-NAME><FRAME-TRIGGERINGS>
<CAN-FRAME-TRIGGERING><SHORT-NAME>T</SHORT-NAME>
<FRAME-REF DEST="CAN-FRAME">/P/Motion</FRAME-REF>
<CAN-ADDRESSING-MODE>STANDARD</CAN-ADDRESSING-MODE><IDENTIFIER>100</IDENTIFIER>
</CAN-FRAME-TRIGGERING></FRAME-TRIGGERINGS></CAN-PHYSICAL-CHANNEL></PHYSICAL-CHANNELS>
</CAN-CLUSTER-CONDITIONAL></CAN-CLUSTER-VARIANTS></CAN-CLUSTER>
<CAN-FRAME><SHORT-NAME>Motion</SHORT-NAME><FRAME-LENGTH>8</FRAME-LENGTH>
<PDU-TO-FRAME-MAPPINGS><PDU-TO-FRAME-MAPPING><SHORT-NAME>M</SHORT-NAME>
<PACKING-BYTE-ORDER>MOST-SIGNIFICANT-BYTE-LAST</PACKING-BYTE-ORDER>
<PDU-REF DEST="I-SIGNAL-I-PDU">/P/Pdu</PDU-REF><START-POSITION>0</START-POSITION>
</PDU-TO-FRAME-MAPPING></PDU-TO-FRAME-MAPPINGS></CAN-FRAME>
<I-SIGNAL-I-PDU><SHORT-NAME>Pdu</SHORT-NAME><LENGTH>8</LENGTH>
<I-SIGNAL-TO-PDU-MAPPINGS><I-SIGNAL-TO-I-PDU-MAPPING><SHORT-NAME>S</SHORT-NAME>
<I-SIGNAL-REF DEST="I-SIGNAL">/P/Speed</I-SIGNAL-REF>
<PACKING-BYTE-ORDER>MOST-SIGNIFICANT-BYTE-LAST</PACKING-BYTE-ORDER>
<START-POSITION>8</START-POSITION></I-SIGNAL-TO-I-PDU-MAPPING></I-SIGNAL-TO-PDU-MAPPINGS>
</I-SIGNAL-I-PDU>
<I-SIGNAL><SHORT-NAME>Speed</SHORT-NAME><LENGTH>16</LENGTH>
<SYSTEM-SIGNAL-REF DEST="SYSTEM-SIGNAL">/P/SpeedSignal</SYSTEM-SIGNAL-REF></I-SIGNAL>
<SYSTEM-SIGNAL><SHORT-NAME>SpeedSignal</SHORT-NAME></SYSTEM-SIGNAL>
</ELEMENTS></AR-PACKAGE></AR-PACKAGES></AUTOSAR>
"""


def test_a_small_arxml_gives_its_message(load: Callable[..., Databases]) -> None:
    (message,) = load(ARXML, ending=".arxml").messages
    assert (message.name, message.key, message.length) == ("Motion", 100, 8)
    (signal,) = message.signals
    assert (signal.name, signal.start, signal.length, signal.big_endian) == ("Speed", 8, 16, False)


def test_an_exploding_xml_file_is_refused(load: Callable[..., Databases]) -> None:
    bomb = '<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">'
    names = "abcdefghij"
    for before, after in itertools.pairwise(names):
        bomb += f'<!ENTITY {after} "{f"&{before};" * 10}">'
    with pytest.raises(DatabaseError, match="cannot be read as"):
        load(f"{bomb}]><NetworkDefinition>&{names[-1]};</NetworkDefinition>", ending=".kcd")


def test_messages_that_the_parser_refuses_cost_only_themselves(
    load: Callable[..., Databases],
) -> None:
    text = GOOD.replace("SG_ Mode :", "SG_ FILTER :").replace("VAL_ 100 Mode", "VAL_ 100 FILTER")
    databases = load(text)  # a keyword for a name
    assert [message.name for message in databases.messages] == ["Cruise"]
    assert "file0.dbc, line 14: message left out: Invalid syntax" in whats(databases)
    assert databases.messages[0].j1939


def test_the_parser_is_imported_for_a_database_only_and_without_the_measurement_library(
    tmp_path: Path,
) -> None:
    path = tmp_path / "good.dbc"
    path.write_text(GOOD)
    script = (
        "import sys; from pathlib import Path; from canassist.decode import load_databases\n"
        "load_databases([]); assert 'cantools' not in sys.modules\n"
        f"load_databases([Path({str(path)!r})]); assert 'cantools' in sys.modules\n"
        "assert 'asammdf' not in sys.modules and 'pandas' not in sys.modules\n"
    )
    subprocess.run([sys.executable, "-c", script], check=True)


@given(text=st.text(max_size=400), at=st.integers(0, len(GOOD)))
def test_no_text_whatever_breaks_the_cleaner(text: str, at: int) -> None:
    clean = dbc_text.clean(GOOD[:at] + text + GOOD[at:])
    assert clean.text.count("\n") >= GOOD.count("\n")


@settings(deadline=None)  # the parser behind it is imported on first use
@given(cut=st.integers(0, len(GOOD)), drop=st.integers(1, 12))
def test_a_damaged_database_loads_or_is_refused_cleanly(
    tmp_path_factory: pytest.TempPathFactory, cut: int, drop: int
) -> None:
    path = tmp_path_factory.getbasetemp() / "damaged.dbc"
    path.write_text(GOOD[:cut] + GOOD[cut + drop :])
    try:
        databases = load_databases([path])
    except DatabaseError as error:
        assert error.fix  # noqa: PT017 - either way out is right, if it is one of these
    else:
        assert databases.messages


def test_near_names_are_found_whatever_their_case(load: Callable[..., Databases]) -> None:
    assert load(GOOD).near_names("motion.sped")[0] == "Motion.Speed"


def test_one_content_is_parsed_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = GOOD.replace('VERSION "1"', 'VERSION "parsed once"')
    first, second = tmp_path / "a.dbc", tmp_path / "b" / "a.dbc"
    second.parent.mkdir()
    first.write_text(text)
    second.write_text(text)
    whole = load_databases([first])

    def refuse(*_: object) -> None:
        pytest.fail("parsed again")

    monkeypatch.setattr("canassist.decode.database.load_database._parse", refuse)
    assert load_databases([second]) == whole
    monkeypatch.undo()
    second.write_text(text.replace("BO_ ", "BO_ ", 1).replace("parsed once", "changed"))
    assert load_databases([second]).messages == whole.messages


KCD = """<NetworkDefinition xmlns="http://kayak.2codeornot2code.org/1.0"><Document/>
<Node id="1" name="A"/><Bus name="b"><Message id="0x100" name="M" length="{}">
<Signal name="S" offset="{}" length="{}"/></Message></Bus></NetworkDefinition>"""


def test_a_kcd_database_is_read(tmp_path: Path) -> None:
    path = tmp_path / "bike.kcd"
    path.write_text(KCD.format(8, 16, 8))
    (message,) = load_databases([path]).messages
    assert (message.name, message.by_name["S"].start) == ("M", 16)


@pytest.mark.parametrize("place", range(3))
def test_bits_that_no_frame_has_are_refused_before_they_take_memory(
    tmp_path: Path, place: int
) -> None:
    path = tmp_path / "bike.kcd"
    path.write_text(KCD.format(*(99_999_999 if n == place else 8 for n in range(3))))
    with pytest.raises(DatabaseError, match="no frame has"):
        load_databases([path])
