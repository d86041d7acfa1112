"""Channels on one timeline: what decoding gives and what detection takes."""

from __future__ import annotations

from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model.frames import BusStats, FloatArray, FrameSource

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

CHANNEL_UNITS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "vehicle_speed": "km/h",
        "engine_speed": "rpm",
        "supply_voltage": "V",
        "system_voltage": "V",
        "module_temperature": "degC",
        "assist_limit": "%",
        "assist_torque": "N·m",
        "motor_current": "A",
        "module_current": "A",
        "driver_torque": "N·m",
        "steering_angle": "deg",
        "assist_mode": "-",
        "module_status": "-",
        "system_current": "A",
        "ambient_temperature": "degC",
        "coolant_temperature": "degC",
        "wheel_speed_fl": "km/h",
        "wheel_speed_fr": "km/h",
        "wheel_speed_rl": "km/h",
        "wheel_speed_rr": "km/h",
    }
)
"""Every channel and its unit, in the order in which they are shown."""

MODULE_CHANNELS: Final = frozenset(
    {
        "supply_voltage",
        "module_temperature",
        "assist_limit",
        "assist_torque",
        "motor_current",
        "module_current",
        "driver_torque",
        "module_status",
    }
)
"""Channels that the steering module itself sends."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunnerUp:
    """The signal that came second when a channel was chosen, and why it lost."""

    signal: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One physical quantity with its own samples.

    Attributes
    ----------
    name, unit : str
        A key and value of `CHANNEL_UNITS`.
    time_s : array of float64, shape (n,)
        Seconds since the earliest frame of the log, not decreasing.
    value : array of float64, shape (n,)
        In `unit`; NaN where the sample means "no value" or is not valid. For
        `assist_mode` and `module_status` the number sent; `labels` has the text.
    signal : str
        ``"Message.Signal"``, or the standard's name for it.
    source : FrameSource
        The identifier and bus that carry it.
    sender : str
        Node that sends the message; empty where unknown.
    period_s : float
        Median time between samples; NaN for fewer than two.
    stale_after_s : float
        A value older than this is a gap.
    step_s : float
        The longest time between two samples over which the value counts as followed: shorter
        than `stale_after_s` where the recorder drops frames, for between samples that are not
        neighbours nobody knows.
    chosen_by : str
        Strongest reason for the choice: profile, standard, name, unit, behaviour.
    stands_in : bool
        Another unit reports it in place of the steering module (supply only).
    sign_known : bool
        Whether right-positive is certain; without it there is no left/right finding.
    unit_known : bool
        Whether the value is certain to be in `unit`. Where it is not (a raw count without a
        unit, say), it says when and how much more, not how many newton metres.
    doubt : str
        Question to answer where the choice was close; empty where it was not.
    held_out : str
        Why the channel cannot be believed (values that no vehicle has, a unit that its
        neighbours give away as false); empty where nothing speaks against it. Until it is
        answered nothing is judged by it: `timeline.with_known_units` takes it out.
    profile_lines : str
        What to write into the profile (TOML) if the doubt is as likely solved; may be empty.
    as_read_lines : str
        What to write if the database is right all the same; empty without a doubt.
    not_checked : tuple of str
        ``"sign"`` and ``"unit"``: what nothing else in this log could confirm or refute. What
        rests on it is held at moderate.
    labels : mapping of number to text
        Value table of a text channel.
    left_out : mapping of reason to count
        Samples turned into "no value", by reason.
    """

    name: str
    unit: str
    time_s: FloatArray
    value: FloatArray
    signal: str
    source: FrameSource
    sender: str = ""
    period_s: float = float("nan")
    stale_after_s: float = 0.25
    step_s: float = float("inf")
    chosen_by: str = "profile"
    runner_up: RunnerUp | None = None
    stands_in: bool = False
    sign_known: bool = True
    unit_known: bool = True
    doubt: str = ""
    held_out: str = ""
    profile_lines: str = ""
    as_read_lines: str = ""
    not_checked: tuple[str, ...] = ()
    labels: Mapping[float, str] = field(default_factory=dict)
    left_out: Mapping[str, int] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.time_s)

    @property
    def followed_s(self) -> float:
        """Longest time between two samples that are followed, in s."""
        return min(self.step_s, self.stale_after_s)

    def text_at(self, row: int) -> str:
        """Return a text channel's word for sample `row`, else its number."""
        number = float(self.value[row])
        return self.labels.get(number, f"{number:g}")

    def valid(self) -> tuple[FloatArray, FloatArray]:
        """Return times and values of the samples that carry a value."""
        keep = ~np.isnan(self.value)
        return (self.time_s, self.value) if keep.all() else (self.time_s[keep], self.value[keep])


@dataclass(frozen=True, slots=True, kw_only=True)
class DatabaseFit:
    """How the given databases and the bus go together.

    Attributes
    ----------
    known_ids : float
        Share of the log's identifiers that a database defines.
    cyclic_known : float
        The same of the cyclic identifiers of the best known bus, within the databases' own
        range of identifiers, with the length that the database gives.
    in_bounds : float
        Share of the known signals that keep to the database's bounds, count where they are
        counters and move as measured values do; NaN where nothing could be held against
        anything.
    reason : str
        Why the databases are another vehicle's, as a sentence; empty where nothing says so.
        Where it is not empty no answer but `inconclusive` stands, and the reason comes first.
    """

    known_ids: float
    cyclic_known: float
    in_bounds: float
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Integrity:
    """Alive counter and checksum of one message, counted over the log.

    ``failed_s`` holds the times of the frames whose checksum is wrong, and
    ``skipped_s`` those after which the counter had missed one or more.
    """

    message: str
    frames: int
    repeats: int
    skips: int
    checksum_failures: int
    failed_s: tuple[float, ...] = ()
    skipped_s: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class CodeSighting:
    """A trouble code read from the bus, first and last seen."""

    code: str
    text: str
    protocol: str
    first_s: float
    last_s: float
    status: str = ""
    sender: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """What units on the bus say of themselves; empty where nothing was asked."""

    part_number: str = ""
    software_version: str = ""
    serial_number: str = ""
    vin: str = ""
    vin_check_digit_ok: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Timeline:
    """All channels of a log on one time base.

    Attributes
    ----------
    channels : mapping of name to Channel
        In the order of `CHANNEL_UNITS`; absent channels are not in it.
    duration_s : float
        From the earliest frame to the last.
    start_utc : datetime or None
        When the earliest frame came, where the log says so.
    bus : BusStats
        Traffic of the whole log.
    senders : mapping of FrameSource to str
        Node behind each known message.
    fit : DatabaseFit or None
        How database and bus go together; None without a database.
    held_out : mapping of name to Channel
        Channels that `timeline.with_known_units` took out because they cannot be believed.
    unused : mapping of unit to signal names
        Signals of this log in a channel's unit that serve no channel, where a channel of that
        unit is missing: the profile may name one.
    """

    channels: Mapping[str, Channel]
    duration_s: float
    start_utc: datetime | None
    bus: BusStats
    senders: Mapping[FrameSource, str] = field(default_factory=dict)
    integrity: tuple[Integrity, ...] = ()
    trouble_codes: tuple[CodeSighting, ...] = ()
    identity: Identity = field(default_factory=Identity)
    fit: DatabaseFit | None = None
    held_out: Mapping[str, Channel] = field(default_factory=dict)
    unused: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def get(self, name: str) -> Channel | None:
        """Return a channel, or None where the log lacks it."""
        return self.channels.get(name)

    def has(self, *names: str) -> bool:
        """Tell whether every one of these channels is in the log."""
        return all(name in self.channels for name in names)
