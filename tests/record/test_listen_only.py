"""Nothing is ever sent, and each interface is asked to listen only in its own words."""

from __future__ import annotations

import ast
import contextlib
import json
import logging
import socket
from importlib import import_module
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import can
import pytest
from can.interfaces import BACKENDS

from canassist.errors import UsageError
from canassist.record.capture import interfaces
from canassist.record.capture.driver_losses import DriverLosses
from canassist.record.capture.interfaces import (
    LISTEN_ONLY,
    ChannelSetting,
    channel_settings,
    listen_only_options,
    listening,
    open_bus,
)
from canassist.record.capture.replay import ReplayBus

StandIn = Any  # the fixture's class lives in conftest.py

TELLING = {"listen_only", "monitor", "driver_mode", "operation_mode", "state"}
"""Words for listening only in constructors of python-can's interfaces."""
TRADE_WORDS = {
    "state": "PASSIVE",
    "driver_mode": "SILENT",
    "operation_mode": "silent",
    "monitor": "listen-only",
    "listen_only": "isten",
}


def source_of(interface: str) -> str:
    """Return the source of an interface's class, read without loading its driver."""
    module, _ = BACKENDS[interface]
    root = Path(can.__file__).parent
    path = root.joinpath(*module.split(".")[1:])
    files = [path.with_suffix(".py")] if path.with_suffix(".py").is_file() else path.glob("*.py")
    return "\n".join(one.read_text("utf-8") for one in sorted(files))


def words_taken(interface: str) -> set[str]:
    """Return the telling words that an interface's constructor takes."""
    taken: set[str] = set()
    for node in ast.walk(ast.parse(source_of(interface).replace("\nfrom __future__", "\n#"))):
        if isinstance(node, ast.FunctionDef) and node.name == "__init__":
            taken |= {one.arg for one in (*node.args.args, *node.args.kwonlyargs)}
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            first = node.args[0] if node.args else None
            if node.func.attr in {"get", "pop"} and isinstance(first, ast.Constant):
                taken.add(str(first.value))
    return taken & TELLING


OWN = sorted(name for name, (module, _) in BACKENDS.items() if module.startswith("can."))


@pytest.mark.parametrize("interface", OWN)
def test_each_interface_that_can_listen_only_is_asked_to(interface: str) -> None:
    """The library's own constructors say which of them can."""
    taken = words_taken(interface)
    asked = listen_only_options(interface)
    assert bool(asked) == bool(taken)
    assert set(asked) <= taken
    for word in asked:
        assert TRADE_WORDS[word] in source_of(interface)


def test_the_table_holds_no_interface_that_is_not_there() -> None:
    assert set(LISTEN_ONLY) <= set(BACKENDS)


@pytest.mark.parametrize("interface", sorted(LISTEN_ONLY))
def test_what_is_asked_reaches_the_interface(
    interface: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    got: dict[str, object] = {}

    def take(**options: object) -> None:
        got.update(options)

    monkeypatch.setattr(can, "Bus", take)
    open_bus(ChannelSetting(interface=interface, channel="1", name="can1", bit_rate=250_000))
    assert {name: got[name] for name in LISTEN_ONLY[interface]} == dict(LISTEN_ONLY[interface])
    assert got["bitrate"] == 250_000


def test_a_plug_in_is_asked_where_its_constructor_takes_it(stand_in: StandIn) -> None:
    (setting,) = channel_settings(["standin"], ["can0"], [500_000])
    open_bus(setting).shutdown()
    (opened,) = stand_in.opened()
    assert opened == {"channel": "can0", "bitrate": 500_000, "listen": True}
    assert listening(setting).asked


def test_no_line_of_the_recorder_sends(project_root: Path) -> None:
    """Only the stand-in for an interface has a `send`, and it refuses."""
    files = sorted((project_root / "canassist/record").rglob("*.py"))
    calls = [
        f"{path.name}:{node.lineno}"
        for path in files
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Attribute) and node.attr in {"send", "send_periodic"}
    ]
    assert len(files) > 20
    assert calls == []
    with pytest.raises(can.CanOperationError):
        ReplayBus([project_root / "sample_logs/healthy_mixed.log.gz"]).send(can.Message())


LINK = [
    {
        "linkinfo": {
            "info_kind": "can",
            "info_data": {"ctrlmode": ["LISTEN-ONLY"], "bittiming": {"bitrate": 250000}},
        }
    }
]


def test_the_systems_own_interface_is_asked_of_the_system(monkeypatch: pytest.MonkeyPatch) -> None:
    setting = ChannelSetting(interface="socketcan", channel="can0", name="can0")
    monkeypatch.setattr(interfaces, "_link", lambda _: json.dumps(LINK))
    assert listening(setting).asked
    assert interfaces.bit_rate_of(setting) == 250_000
    for other in ("", "[]", "nonsense", '[{"linkinfo": 3}]', '[{"linkinfo": {"info_data": []}}]'):
        monkeypatch.setattr(interfaces, "_link", lambda _, text=other: text)
        told = listening(setting)
        assert not told.asked
        assert "ip link set can0 type can ... listen-only on" in told.text
        assert interfaces.bit_rate_of(setting) is None


def test_an_interface_that_cannot_is_told_of() -> None:
    told = listening(ChannelSetting(interface="gs_usb", channel="0", name="can0"))
    assert not told.asked
    assert "no option to listen only" in told.text
    told = listening(ChannelSetting(interface="virtual", channel="x", name="x"))
    assert "no wire" in told.text


def test_options_are_joined_in_order() -> None:
    made = channel_settings(["virtual"], ["a", "b"], [500_000, 125_000])
    assert [(one.channel, one.name, one.bit_rate) for one in made] == [
        ("a", "a", 500_000),
        ("b", "b", 125_000),
    ]
    names = [one.name for one in channel_settings(["virtual"], ["0", "tty 1", "tty_1"], [])]
    assert names == ["can0", "tty_1_1", "tty_1_2"]
    with pytest.raises(UsageError, match="2 times --bitrate for 3 channels"):
        channel_settings(["virtual"], ["a", "b", "c"], [1, 2])
    with pytest.raises(UsageError, match='--interface "nonsense" is not known'):
        channel_settings(["nonsense"], [], [])


def test_modules_of_the_table_are_the_librarys_own() -> None:
    for name in LISTEN_ONLY:
        assert BACKENDS[name][0].startswith("can.interfaces.")
    assert import_module("can").BusState.PASSIVE is can.BusState.PASSIVE


class FullSocket(socket.socket):
    """A socket whose queue overflows, as the system counts it."""


def test_what_a_socket_dropped_is_asked_of_the_system() -> None:
    """Linux counts what found a datagram socket's queue full, in the option read here."""
    receiver = FullSocket(socket.AF_INET, socket.SOCK_DGRAM)
    receiver.bind(("127.0.0.1", 0))
    bus = SimpleNamespace(socket=receiver)
    losses = DriverLosses(bus)  # type: ignore[arg-type]  # a bus with nothing but a socket
    receiver.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    sender = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    for _ in range(200):
        sender.sendto(bytes(500), receiver.getsockname())
    queued = 0
    receiver.setblocking(False)
    with contextlib.suppress(BlockingIOError):
        while receiver.recv(1000):
            queued += 1
    if not receiver.getsockopt(socket.SOL_SOCKET, 55, 36):
        pytest.skip("this system does not tell what a socket dropped")
    assert list(losses.new()) == [(200 - queued, "the socket's queue was full")]
    assert queued < 200
    assert list(losses.new()) == []
    receiver.close()
    sender.close()
    assert list(losses.new()) == []


def test_what_a_driver_writes_of_losses_into_its_log_is_counted() -> None:
    losses = DriverLosses(SimpleNamespace())  # type: ignore[arg-type]  # a bus that tells nothing
    logging.getLogger("can.somebody").warning("CAN error: data overrun")
    logging.getLogger("can.somebody").warning("another word")
    assert list(losses.new()) == [(None, "the driver says so")]
