"""What is recorded from: interfaces that were opened, or a log that stands in for them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import can

from canassist.errors import CanassistError
from canassist.record.capture.interfaces import (
    ERROR_CLASSES_KEPT,
    bit_rate_of,
    cannot_open,
    listening,
    open_bus,
)
from canassist.record.capture.replay import ReplayBus

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from canassist.record.capture.interfaces import ChannelSetting


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One channel, opened.

    Attributes
    ----------
    listening : str
        Whether it listens only, in a sentence.
    takes_bus_names : bool
        Whether each frame names its bus itself.
    keep_class : bool
        Whether error frames carry their class in the identifier.
    keeps_time : bool
        Whether its time stamps are taken as they are.
    """

    name: str
    bus: can.BusABC
    reopen: Callable[[], can.BusABC]
    listening: str
    bit_rate: int | None = None
    takes_bus_names: bool = False
    keep_class: bool = True
    keeps_time: bool = False


def open_sources(settings: Sequence[ChannelSetting]) -> tuple[Source, ...]:
    """Open every channel to listen.

    Raises
    ------
    CanassistError
        If one cannot be opened; those opened before it are closed again.
    """
    opened: list[Source] = []
    for one in settings:
        try:
            opened.append(_opened(one))
        except BaseException:
            for source in opened:
                source.bus.shutdown()
            raise
    return tuple(opened)


def _opened(setting: ChannelSetting) -> Source:
    listens, bit_rate = listening(setting).text, bit_rate_of(setting)  # asked before frames wait
    try:
        bus = open_bus(setting)
    except CanassistError:
        raise
    except Exception as error:
        raise cannot_open(setting, error) from error
    return Source(
        name=setting.name,
        bus=bus,
        reopen=partial(open_bus, setting),
        listening=listens,
        bit_rate=bit_rate,
        keep_class=not setting.interface or setting.interface in ERROR_CLASSES_KEPT,
    )


def replayed(paths: Sequence[Path], speed: float) -> Source:
    """Return a log as a source.

    Raises
    ------
    CanassistError
        If it cannot be read.
    """
    bus = ReplayBus(paths, speed=speed)
    return Source(
        name="replay",
        bus=bus,
        reopen=lambda: bus,
        listening="A replayed log stands in for an interface.",
        takes_bus_names=True,
        keeps_time=True,
    )
