"""Interfaces of python-can: opened to listen, each by its own word for it."""

from __future__ import annotations

import importlib
import inspect
import json
import subprocess
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, TypeVar

import can
from can.interfaces import BACKENDS

from canassist.errors import InputError, MissingExtraError, UsageError
from canassist.record.capture.candump_text import LONGEST_BUS_WORD, bus_word

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

LISTEN_ONLY: Final[Mapping[str, Mapping[str, object]]] = {
    "cantact": {"monitor": True},
    "kvaser": {"driver_mode": False},
    "nixnet": {"listen_only": True},
    "pcan": {"state": can.BusState.PASSIVE},
    "seeedstudio": {"operation_mode": "silent"},
    "slcan": {"listen_only": True},
    "systec": {"state": can.BusState.PASSIVE},
    "vector": {"listen_only": True},
}
"""The option by which each interface is asked to listen only, as python-can 4.5 and 4.6 spell it
in their own constructors. `driver_mode` False is that driver's word for silent."""

NO_WIRE: Final = frozenset({"virtual", "udp_multicast"})
"""Interfaces without a wire: nothing could be disturbed."""

SYSTEM: Final = "socketcan"
"""The system's own interface: listening only is set where its bit rate is, before recording."""

ERROR_CLASSES_KEPT: Final = frozenset({SYSTEM, "socketcand", "virtual", "udp_multicast"})
"""Interfaces whose error frames carry the class bits of linux/can/error.h in the identifier."""

_Given = TypeVar("_Given")

_ASK_S: Final = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelSetting:
    """One channel to be recorded.

    Attributes
    ----------
    interface : str
        Name of the interface in python-can; "" leaves it to python-can's configuration.
    channel : str
        Channel as the interface spells it; "" leaves it to the configuration.
    name : str
        Name of the bus in the log.
    bit_rate : int or None
        In bit/s; None leaves it to the configuration.
    fd : bool
        Whether CAN FD is asked for.
    """

    interface: str
    channel: str
    name: str
    bit_rate: int | None = None
    fd: bool = False


@dataclass(frozen=True, slots=True)
class Listening:
    """Whether a channel listens only: asked for in which option, or why not; in a sentence."""

    asked: bool
    text: str


def channel_settings(
    interfaces: Sequence[str],
    channels: Sequence[str],
    bit_rates: Sequence[int],
    *,
    fd: bool = False,
) -> tuple[ChannelSetting, ...]:
    """Join the options of a command line: one of a kind holds for all channels.

    Raises
    ------
    UsageError
        If an interface is unknown, or options and channels are not equal in number.
    """
    channels = channels or [""]
    for what, given in (("--interface", interfaces), ("--bitrate", bit_rates)):
        if len(given) > 1 and len(given) != len(channels):
            problem = f"{len(given)} times {what} for {len(channels)} channels."
            raise UsageError(problem, f"Give {what} once, or once for each --channel in order.")
    for one in interfaces:
        if one not in BACKENDS:
            known = ", ".join(sorted(BACKENDS))
            raise UsageError(f'--interface "{one}" is not known.', f"Known here: {known}.")
    named = _names([_configured(interfaces, channel) for channel in channels])
    return tuple(
        ChannelSetting(
            interface=_of(interfaces, place) or "",
            channel=channel,
            name=named[place],
            bit_rate=_of(bit_rates, place),
            fd=fd,
        )
        for place, channel in enumerate(channels)
    )


def _of(given: Sequence[_Given], place: int) -> _Given | None:
    if not given:
        return None
    return given[place] if len(given) > 1 else given[0]


def _configured(interfaces: Sequence[str], channel: str) -> str:
    """Return the channel that python-can's configuration names where none is given."""
    if channel or interfaces:
        return channel
    try:
        configured = can.util.load_config()
    except can.CanInterfaceNotImplementedError as error:
        problem = "No interface is named, and no settings of this computer name one."
        fix = "Write: --interface socketcan --channel can0, or what yours is."
        raise UsageError(problem, fix) from error
    return str(configured.get("channel") or "")


def _names(channels: Sequence[str]) -> list[str]:
    """Give every channel a name that a log's line can hold, each once."""
    plain = [
        bus_word(f"can{name or place}" if not name or name.isdigit() else name)
        for place, name in enumerate(channels)
    ]
    count = Counter(plain)
    return [
        f"{name[: LONGEST_BUS_WORD - 4]}_{place}" if count[name] > 1 else name
        for place, name in enumerate(plain)
    ]


def open_bus(setting: ChannelSetting) -> can.BusABC:
    """Open a channel to listen; nothing is ever sent on it.

    Raises
    ------
    CanassistError
        If the interface's own library is missing.
    can.CanError, OSError, ValueError
        If the channel is not there, not free, or its settings do not fit.
    """
    options: dict[str, Any] = dict(listen_only_options(setting.interface))  # Any: python-can's own
    if setting.bit_rate is not None:
        options["bitrate"] = setting.bit_rate
    if setting.fd:
        options["fd"] = True
    try:
        return can.Bus(
            channel=setting.channel or None, interface=setting.interface or None, **options
        )
    except (can.CanInterfaceNotImplementedError, ImportError, NotImplementedError) as error:
        problem = f"{setting.name}: its interface cannot be used here ({error})."
        raise MissingExtraError(problem, "Install what the interface's maker asks for.") from error


def cannot_open(setting: ChannelSetting, error: Exception) -> InputError:
    """Say why a channel cannot be opened."""
    problem = f"{setting.name}: cannot be opened ({_plain(error)})."
    fix = "Check that the interface is plugged in and free, its channel name and its bit rate."
    return InputError(problem, fix)


def _plain(error: Exception) -> str:
    return " ".join(str(error).split())[:200] or type(error).__name__


def listen_only_options(interface: str) -> Mapping[str, object]:
    """Return the options by which an interface is asked to listen only.

    A plug-in's constructor is looked at: a parameter ``listen_only`` is its option.
    """
    if interface in LISTEN_ONLY:
        return LISTEN_ONLY[interface]
    if interface not in BACKENDS or _is_of_the_library(interface):
        return {}
    module, name = BACKENDS[interface]
    try:
        parameters = inspect.signature(getattr(importlib.import_module(module), name)).parameters
    except (ImportError, AttributeError, ValueError):
        return {}
    return {"listen_only": True} if "listen_only" in parameters else {}


def _is_of_the_library(interface: str) -> bool:
    return BACKENDS[interface][0].startswith("can.interfaces.")


def listening(setting: ChannelSetting) -> Listening:
    """Say whether a channel was asked to listen only, and what to do where it cannot be."""
    interface, name = setting.interface, setting.name
    options = listen_only_options(interface)
    if options:
        return Listening(True, f"{name}: asked to listen only ({', '.join(options)}).")
    if interface in NO_WIRE:
        return Listening(False, f"{name}: has no wire; nothing is sent.")
    if interface == SYSTEM:
        return _of_the_system(setting, _link(setting.channel))
    text = (
        f"{name}: this interface has no option to listen only; nothing is sent, but it"
        " acknowledges frames like any unit, and with a wrong bit rate it disturbs the bus."
    )
    return Listening(False, text)


def _link(channel: str) -> str:
    """Return what the system says of a channel's settings; "" where it cannot be asked."""
    command = ["ip", "-json", "-details", "link", "show", "dev", channel]
    try:
        done = subprocess.run(  # noqa: S603 - a fixed command, its argument one word
            command, capture_output=True, text=True, timeout=_ASK_S, check=False
        )
    except (OSError, subprocess.SubprocessError):
        return ""
    return done.stdout


def _link_data(text: str) -> Mapping[str, Any]:  # Any: JSON of another program
    try:
        found = json.loads(text)[0]["linkinfo"]["info_data"]
    except (ValueError, LookupError, TypeError):
        return {}
    return found if isinstance(found, dict) else {}


def _of_the_system(setting: ChannelSetting, link: str) -> Listening:
    modes = _link_data(link).get("ctrlmode", [])
    if "LISTEN-ONLY" in modes:
        return Listening(True, f"{setting.name}: the system has it listening only.")
    text = (
        f"{setting.name}: the system has not been told to listen only; nothing is sent, but it"
        f" acknowledges frames. Better: ip link set {setting.channel} type can ... listen-only on."
    )
    return Listening(False, text)


def bit_rate_of(setting: ChannelSetting) -> int | None:
    """Return a channel's bit rate in bit/s, where it was given or the system tells it."""
    if setting.bit_rate is not None or setting.interface != SYSTEM:
        return setting.bit_rate
    timing = _link_data(_link(setting.channel)).get("bittiming", {})
    rate = timing.get("bitrate") if isinstance(timing, dict) else None
    return rate if isinstance(rate, int) and rate > 0 else None
