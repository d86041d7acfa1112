"""What passes between decoding and the choice of a signal for each channel.

Decoding asks `channel_map.rank_static` which signals may serve a channel judging by
name and unit alone, reads and decodes those, and asks `channel_map.choose` which one
does, judging by their values in this log as well.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from canassist.decode.database.layouts import MessageLayout, SignalLayout
from canassist.model import FloatArray, FrameSource, RunnerUp
from canassist.units import SAME, Conversion

MAX_CANDIDATES: Final = 8
"""Signals of one channel that are read and compared; the rest rank too low to matter."""


ANSWERS_REST_ON: Final = frozenset(
    {
        "vehicle_speed",
        "engine_speed",
        "supply_voltage",
        "system_voltage",
        "module_temperature",
        "assist_limit",
        "assist_torque",
        "motor_current",
        "module_current",
        "driver_torque",
        "steering_angle",
        "assist_mode",
        "module_status",
        "system_current",
    }
)
"""Channels that are asked about; the others only bear witness, and are left out where doubted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A signal that may serve a channel, judged without its values.

    Attributes
    ----------
    channel : str
        A key of `CHANNEL_UNITS`.
    conversion : Conversion
        Database value to the channel's unit.
    unit_known : bool
        Whether `conversion` comes from the signal's unit; False where it gives none
        and the value is taken as it is.
    score : float
        0 (nothing speaks for it) to 1, from name, unit, range and sender.
    parts : mapping of str to float
        What the score is made of (``"name"``, ``"unit"``, ``"range"``, ``"sender"``).
    reasons : tuple of str
        Short phrases for people, the strongest first.
    """

    channel: str
    message: MessageLayout
    signal: SignalLayout
    conversion: Conversion = SAME
    unit_known: bool = False
    score: float = 0.0
    parts: Mapping[str, float] = field(default_factory=dict)
    reasons: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """``"Message.Signal"``."""
        return self.signal.full_name


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredCandidate:
    """A candidate with its values in this log; one for each identifier that carries it.

    Attributes
    ----------
    time_s : array of float64, shape (n,)
        Seconds since the earliest frame, not decreasing.
    value : array of float64, shape (n,)
        After the candidate's conversion, in the channel's unit; NaN where the frame
        holds no valid value. For the text channels the raw number.
    left_out : mapping of reason to count
        Samples turned into NaN, by reason.
    sign_signal : str
        Signal beside it that holds its direction, applied already; empty where it has none.
    side_known : bool
        Whether that signal's words say which direction is right.
    """

    candidate: Candidate
    source: FrameSource
    time_s: FloatArray
    value: FloatArray
    left_out: Mapping[str, int] = field(default_factory=dict)
    sign_signal: str = ""
    side_known: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Ranked:
    """One line of a channel's ranking, for people and as JSON.

    ``figures`` holds what it reads in this log, in the channel's unit as far as that is
    known: ``samples``, and ``low``, ``median`` and ``high`` where there are valid ones.
    """

    signal: str
    source: FrameSource | None
    score: float
    parts: Mapping[str, float] = field(default_factory=dict)
    reasons: tuple[str, ...] = ()
    figures: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelChoice:
    """Which signal serves a channel, and why.

    Attributes
    ----------
    chosen : MeasuredCandidate or None
        None where no signal serves, or where the choice was too close to make: then
        `doubt` holds the question to answer.
    chosen_by : str
        Strongest reason: name, unit or behaviour.
    scale, offset : float
        Still to be applied to ``chosen.value`` (a unit that the values gave away,
        left-positive torque, assist sent as a reduction): ``value * scale + offset``.
    sign_known : bool
        Whether right-positive is certain after that.
    stands_in : bool
        The supply of another unit, in place of the steering module's.
    ranking : tuple of Ranked
        Every candidate looked at, the best first.
    profile_lines : str
        What to write into the profile if the doubt is as likely solved; may be empty.
    by_name : bool
        Whether only names leave it open, so that behaviour may settle it.
    """

    channel: str
    chosen: MeasuredCandidate | None = None
    chosen_by: str = "name"
    runner_up: RunnerUp | None = None
    doubt: str = ""
    scale: float = 1.0
    offset: float = 0.0
    sign_known: bool = True
    stands_in: bool = False
    ranking: tuple[Ranked, ...] = ()
    profile_lines: str = ""
    by_name: bool = False
