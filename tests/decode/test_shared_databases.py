"""Every real database: it loads, and decodes a frame of each of its messages like cantools."""

from __future__ import annotations

import random
import re
from typing import TYPE_CHECKING

import numpy as np
import pytest
from cantools.database.can import Database, Message, Signal
from cantools.database.errors import DecodeError, Error

from canassist.decode import MessageLayout, load_databases
from canassist.decode.signals.extract import decode_signal
from canassist.errors import DatabaseError
from canassist.model import EXTENDED_KEY
from tests.decode.hand_frames import column
from tests.decode.random_signals import dice_of, plain, same_bits

if TYPE_CHECKING:
    from pathlib import Path

PAYLOADS = 40
NO_MESSAGE = {"cp1252.dbc"}
"""Holds nodes and comments only."""


NAMES = (
    "abs.dbc",
    "car_a_800kB.dbc",
    "car_b.dbc",
    "car_c_d.dbc",
    "car_e_f_i.dbc",
    "car_h.dbc",
    "choices.dbc",
    "cp1252.dbc",
    "fd_test.dbc",
    "floating_point.dbc",
    "issue_184_extended_mux_cascaded.dbc",
    "issue_184_extended_mux_multiple_values.dbc",
    "j1939.dbc",
    "j1939_demo_speed_rpm.dbc",
    "long_names.dbc",
    "multiplex.dbc",
    "padding_bit_order.dbc",
    "signed.dbc",
    "socialledge.dbc",
    "val_table.dbc",
    "vehicle.dbc",
)


def test_no_database_is_forgotten(shared_data: Path) -> None:
    assert sorted(path.name for path in (shared_data / "dbc").iterdir()) == sorted(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_a_real_database_decodes_like_cantools_or_says_rightly_why_not(
    shared_data: Path, name: str
) -> None:
    path = shared_data / "dbc" / name
    theirs = reference(path)
    if name in NO_MESSAGE:
        assert not theirs
        with pytest.raises(DatabaseError, match="no usable message"):
            load_databases([path])
        return
    ours = {message.key: message for message in load_databases([path]).messages}
    missing = set(theirs) - set(ours)
    assert all(key > 0x7FF and not key & EXTENDED_KEY for key in missing)
    dice = dice_of(len(name))
    for key, message in ours.items():
        assert set(message.by_name) == {signal.name for signal in theirs[key].signals}
        if has_overlap(theirs[key]):  # which cantools decodes one signal at a time only
            for signal in theirs[key].signals:
                compare(message, alone(theirs[key], signal), dice)
        else:
            compare(message, theirs[key], dice)


@pytest.mark.parametrize(
    ("name", "lines"),
    [
        ("car_b.dbc", (207, 208, 385, 407)),
        ("car_c_d.dbc", (1656, 1657)),
        ("car_e_f_i.dbc", (237, 238, 243)),
    ],
)
def test_what_is_wrong_with_a_real_database_is_named_by_line(
    shared_data: Path, name: str, lines: tuple[int, ...]
) -> None:
    problems = load_databases([shared_data / "dbc" / name]).problems
    assert [problem.where for problem in problems] == [f"{name}, line {line}" for line in lines]


def has_overlap(message: Message) -> bool:
    try:
        message.refresh(strict=True)
    except Error:
        message.refresh(strict=False)
        return True
    return False


def alone(message: Message, signal: Signal) -> Message:
    return Message(message.frame_id, message.name, message.length, [signal], strict=False)


def compare(ours: MessageLayout, theirs: Message, dice: random.Random) -> None:
    rows, decoded = [], []
    for _ in range(PAYLOADS):
        data = bytes(dice.choice((0, 1, 2, dice.randrange(256))) for _ in range(theirs.length))
        try:
            decoded.append(plain(theirs, data))
        except DecodeError:  # a selector value that no signal has
            continue
        rows.append(data)
    assert rows
    frames = column(ours.key, rows)
    for signal in ours.signals:
        if signal.name not in {other.name for other in theirs.signals}:
            continue
        present = [number for number, values in enumerate(decoded) if signal.name in values]
        samples = decode_signal(frames, ours, signal)
        assert samples.time_s.tolist() == frames.time_s[present].tolist(), signal
        expected = np.array([decoded[row][signal.name] for row in present])
        assert same_bits(samples.value, expected), signal


def reference(path: Path) -> dict[int, Message]:
    """Load with cantools alone, dropping each line that it refuses."""
    lines = path.read_text("cp1252").splitlines()
    for _ in range(10):
        database = Database(strict=False)
        try:
            database.add_dbc_string("\n".join(lines))
        except Exception as error:
            lines = _without(lines, str(error))
            continue
        return {
            message.frame_id | (EXTENDED_KEY if message.is_extended_frame else 0): message
            for message in database.messages
        }
    pytest.fail(f"{path.name}: cantools refuses it again and again")


def _without(lines: list[str], complaint: str) -> list[str]:
    """Blank the line that the complaint names, or all lines of the message that it names."""
    line, message = re.search(r"line (\d+)", complaint), re.search(r"in message (\w+)", complaint)
    if line:
        lines[int(line[1]) - 1] = ""
        return lines
    assert message, complaint
    (start,) = (at for at, text in enumerate(lines) if re.match(rf"BO_ \d+ {message[1]}:", text))
    number = lines[start].split()[1]
    end = next(at for at in range(start + 1, len(lines)) if not lines[at].startswith(" SG_"))
    lines[start:end] = [""] * (end - start)
    return ["" if re.match(rf"(CM_ SG_|CM_ BO_|VAL_) {number} ", text) else text for text in lines]
