"""Samples to channels: units, validity, and how long a value stays fresh."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.decode.candidates import Candidate, ChannelChoice, MeasuredCandidate
from canassist.decode.matching.signed_amounts import Direction, direction_of
from canassist.decode.signals.extract import RawSamples, decode_signal
from canassist.decode.signals.validity import OUT_OF_RANGE, Checked, check_values
from canassist.model import (
    CHANNEL_UNITS,
    Channel,
    ChannelSpec,
    FloatArray,
    FrameSource,
    MessageFrames,
    Problem,
    RunnerUp,
)
from canassist.units import SAME, Conversion, conversion

if TYPE_CHECKING:
    from canassist.decode.database.layouts import MessageLayout, SignalLayout
    from canassist.decode.plan import ReadingPlan
    from canassist.decode.standards.standard_quantities import StandardQuantity
    from canassist.model import BusStats

TEXT_CHANNELS: Final = frozenset({"assist_mode", "module_status"})

STALE_PERIODS: Final = 5.0
LEAST_STALE_S: Final = 0.25
"""A value is a gap after five message periods, and never before a quarter of a second."""

MUCH_LEFT_OUT: Final = 0.2
"""Share of samples outside the database's range from which the range itself is in question."""

CREDIBLE: Final[Mapping[str, float]] = {
    "driver_torque": 60.0,
    "km/h": 400.0,
    "rpm": 30_000.0,
    "V": 100.0,
    "degC": 300.0,
    "%": 250.0,
    "N·m": 250.0,
    "A": 2000.0,
    "deg": 3600.0,
}
"""Largest size of a value that a channel, or any in this unit, can have on a vehicle; a signal
without a unit that exceeds it is a raw count (common practice, no source)."""


class ChannelBuilder:
    """Builds the channels of one ride, decoding each signal once.

    Attributes
    ----------
    problems : list of Problem
        What a reader of the report must know about the channels, filled as they are built.
    rules : dict of name to Conversion
        From the database's value to each channel that was built.
    """

    def __init__(
        self, frames: Mapping[FrameSource, MessageFrames], plan: ReadingPlan, stats: BusStats
    ) -> None:
        self.frames = frames
        self.plan = plan
        self.buses = stats.buses
        self.problems: list[Problem] = []
        self.rules: dict[str, Conversion] = {}
        self._decoded: dict[tuple[FrameSource, int, str], RawSamples] = {}

    def from_profile(self, standard: Sequence[StandardQuantity]) -> dict[str, Channel]:
        """Build the channels that the profile names; those without a frame are missing."""
        found: dict[str, Channel] = {}
        for name, spec in self.plan.profile.channels.items():
            if name in self.plan.standard:
                made = self._named_standard(name, spec, standard)
            else:
                made = self._best(
                    [
                        self._named(name, spec, message, signal, source)
                        for message, signal in self.plan.named[name]
                        for source in self.sources_of(message)
                    ]
                )
            if made is None:
                what = f"{spec.signal}: no frame of it is in the log"
                self.problems.append(Problem(f"channel {name}", what))
            else:
                found[name] = made
                self.rules[name] = self._rule_of(name, spec, made)
                self._report(made)
        return found

    def _rule_of(self, name: str, spec: ChannelSpec, made: Channel) -> Conversion:
        """Return how a named signal became its channel; a standard's is converted already."""
        for _, signal in self.plan.named.get(name, ()):
            if signal.full_name == made.signal:
                return _rule(name, spec, signal)[0]
        return _rule(name, spec, None)[0]

    def from_standard(self, quantities: Iterable[StandardQuantity]) -> dict[str, Channel]:
        """Build channels from standard quantities; the first one of a channel is taken."""
        found: dict[str, Channel] = {}
        for one in quantities:
            if not one.channel:
                continue
            if one.channel not in found:
                found[one.channel] = self._from_quantity(one, one.channel)
            elif found[one.channel].runner_up is None:
                why = f"{one.good} values from {one.sender}"
                second = RunnerUp(signal=one.name, why=why)
                found[one.channel] = replace(found[one.channel], runner_up=second)
        return found

    def measure(
        self, candidates: Mapping[str, Iterable[Candidate]]
    ) -> dict[str, tuple[MeasuredCandidate, ...]]:
        """Decode candidates; one entry for each identifier that carries the signal."""
        return {
            channel: tuple(
                measured
                for candidate in ranked
                for source in self.sources_of(candidate.message)
                if (measured := self._measured(candidate, source)) is not None
            )
            for channel, ranked in candidates.items()
        }

    def from_choices(self, choices: Iterable[ChannelChoice]) -> dict[str, Channel]:
        """Build the channels that were chosen; the question of one left open is a problem."""
        found = {}
        for choice in choices:
            if choice.chosen is not None:
                found[choice.channel] = self._from_choice(choice, choice.chosen)
                self._report(found[choice.channel])
            elif choice.doubt:
                self.problems.append(Problem(f"channel {choice.channel}", choice.doubt))
        return found

    def preview(self, choices: Iterable[ChannelChoice]) -> dict[str, Channel]:
        """Build what is chosen so far, without a word about it."""
        return {one.channel: self._from_choice(one, one.chosen) for one in choices if one.chosen}

    def unplaced(
        self, measured: Mapping[str, Sequence[MeasuredCandidate]]
    ) -> list[MeasuredCandidate]:
        """Decode what behaviour may place: nameless signals, and those looked at already."""
        nameless = self.measure({"": self.plan.unnamed})[""]
        if not nameless:
            return []
        looked = (one for ones in measured.values() for one in ones)
        return [*(one for one in looked if one.candidate.unit_known), *nameless]

    def sources_of(self, message: MessageLayout) -> list[FrameSource]:
        """Return the identifiers whose frames are this message."""
        return [
            source
            for source in self.frames
            if message.fits(source.key, self.buses[source.bus])
            and not self._another_is_exact(message, source)
        ]

    def _another_is_exact(self, message: MessageLayout, source: FrameSource) -> bool:
        """Tell whether a group message meets an identifier that has a message of its own."""
        if not message.j1939 or message.key == source.key:
            return False
        other = self.plan.databases.message_for(source.key, self.buses[source.bus])
        return other is not None and other.key == source.key

    # One channel.

    def _named(
        self,
        name: str,
        spec: ChannelSpec,
        message: MessageLayout,
        signal: SignalLayout,
        source: FrameSource,
    ) -> Channel:
        samples, checked = self._values(name, message, signal, source, spec.invalid)
        rule, known = _rule(name, spec, signal)
        value = _amount(name, checked.value * rule.scale + rule.offset)
        side = self._direction(name, message, signal, source, np.abs(value))
        if side is not None:
            value = value * side.sign
        return Channel(
            name=name,
            unit=CHANNEL_UNITS[name],
            time_s=samples.time_s,
            value=value,
            sign_known=side is None or side.side_known,
            signal=signal.full_name,
            source=source,
            sender=message.sender,
            period_s=_period(samples.time_s),
            stale_after_s=_stale(samples.time_s, message.period_s, spec),
            chosen_by="profile",
            unit_known=known or _credible(name, value),
            labels=_labels(name, signal, rule),
            left_out=checked.left_out,
        )

    def _named_standard(
        self, name: str, spec: ChannelSpec, standard: Sequence[StandardQuantity]
    ) -> Channel | None:
        mine = [one for one in standard if one.name == spec.signal]
        if not mine:
            return None
        one = mine[0]
        value = one.value.copy()
        for number in spec.invalid:
            value[np.isclose(value, number)] = np.nan
        rule, _ = _rule(name, spec, None)
        value = _amount(name, value * rule.scale + rule.offset)
        made = replace(self._from_quantity(one, name), value=value)
        stale = _stale(one.time_s, None, spec)
        return replace(made, chosen_by="profile", stale_after_s=stale)

    def _from_quantity(self, one: StandardQuantity, name: str) -> Channel:
        return Channel(
            name=name,
            unit=CHANNEL_UNITS[name],
            time_s=one.time_s,
            value=one.value,
            signal=one.name,
            source=one.source,
            sender=one.sender,
            period_s=_period(one.time_s),
            stale_after_s=_stale(one.time_s, None, None),
            chosen_by="standard",
            left_out=one.left_out,
        )

    def _measured(self, candidate: Candidate, source: FrameSource) -> MeasuredCandidate | None:
        samples, checked = self._values(
            candidate.channel, candidate.message, candidate.signal, source, ()
        )
        if not len(samples.time_s):
            return None
        rule = candidate.conversion
        value = checked.value * rule.scale + rule.offset
        side = self._direction(
            candidate.channel, candidate.message, candidate.signal, source, value
        )
        return MeasuredCandidate(
            candidate=candidate,
            source=source,
            time_s=samples.time_s,
            value=value if side is None else value * side.sign,
            left_out=checked.left_out,
            sign_signal=side.name if side else "",
            side_known=side is not None and side.side_known,
        )

    def _direction(
        self,
        name: str,
        message: MessageLayout,
        signal: SignalLayout,
        source: FrameSource,
        value: FloatArray,
    ) -> Direction | None:
        """Find the direction of an amount in the signals beside it."""

        def read(other: SignalLayout) -> FloatArray:
            return self._samples(message, other, source).value

        return direction_of(name, message, signal, value, read)

    def _from_choice(self, choice: ChannelChoice, chosen: MeasuredCandidate) -> Channel:
        message, signal = chosen.candidate.message, chosen.candidate.signal
        rule = chosen.candidate.conversion
        whole = Conversion(rule.scale * choice.scale, rule.offset * choice.scale + choice.offset)
        value = _amount(choice.channel, chosen.value * choice.scale + choice.offset)
        known = chosen.candidate.unit_known or choice.channel in TEXT_CHANNELS
        self.rules[choice.channel] = whole
        return Channel(
            name=choice.channel,
            unit=CHANNEL_UNITS[choice.channel],
            time_s=chosen.time_s,
            value=value,
            signal=signal.full_name,
            source=chosen.source,
            sender=message.sender,
            period_s=_period(chosen.time_s),
            stale_after_s=_stale(chosen.time_s, message.period_s, None),
            chosen_by=choice.chosen_by,
            runner_up=choice.runner_up,
            stands_in=choice.stands_in,
            sign_known=choice.sign_known,
            unit_known=known or _credible(choice.channel, value),
            doubt=choice.doubt,
            labels=_labels(choice.channel, signal, whole),
            left_out=chosen.left_out,
        )

    def _samples(
        self, message: MessageLayout, signal: SignalLayout, source: FrameSource
    ) -> RawSamples:
        place = (source, id(message), signal.name)
        if place not in self._decoded:
            self._decoded[place] = decode_signal(self.frames[source], message, signal)
        return self._decoded[place]

    def _values(
        self,
        name: str,
        message: MessageLayout,
        signal: SignalLayout,
        source: FrameSource,
        invalid: Sequence[float],
    ) -> tuple[RawSamples, Checked]:
        samples = self._samples(message, signal, source)
        is_text = name in TEXT_CHANNELS
        return samples, check_values(samples, message, signal, invalid=invalid, is_text=is_text)

    def _best(self, made: Sequence[Channel]) -> Channel | None:
        """Return the one with the most values; the lowest bus and identifier on a tie."""
        if not made:
            return None
        return max(made, key=lambda one: (np.count_nonzero(~np.isnan(one.value)), -one.source.key))

    def _report(self, channel: Channel) -> None:
        """Tell of values that the range took away and of units that are not certain."""
        where = f"channel {channel.name}"
        outside, total = channel.left_out.get(OUT_OF_RANGE, 0), len(channel)
        if outside > MUCH_LEFT_OUT * total:
            self.problems.append(
                Problem(
                    where,
                    f"{channel.signal}: {outside} of {total} values lie outside the database's "
                    "own range and were left out; correct the range there if it is wrong",
                )
            )
        if not channel.unit_known:
            self.problems.append(
                Problem(
                    where,
                    f"{channel.signal} has no unit and values too large for {channel.unit}: "
                    "taken as a raw count; give scale in the profile",
                )
            )


def _rule(name: str, spec: ChannelSpec, signal: SignalLayout | None) -> tuple[Conversion, bool]:
    """Return how to convert, and whether the unit is certain."""
    if spec.scale is not None or spec.offset is not None:
        scale = 1.0 if spec.scale is None else spec.scale
        return Conversion(scale, spec.offset or 0.0), True
    if name in TEXT_CHANNELS or signal is None:
        return SAME, True
    rule = conversion(signal.unit, CHANNEL_UNITS[name])
    return (SAME, False) if rule is None else (rule, True)


def _amount(name: str, value: FloatArray) -> FloatArray:
    """Return road speed without the sign that some buses give it in reverse, others as they are."""
    return np.abs(value) if name == "vehicle_speed" else value


def _credible(name: str, value: FloatArray) -> bool:
    limit = CREDIBLE.get(name, CREDIBLE.get(CHANNEL_UNITS[name], np.inf))
    sizes = np.abs(value[~np.isnan(value)])
    return bool(np.all(sizes <= limit))


def _labels(name: str, signal: SignalLayout, rule: Conversion) -> dict[float, str]:
    if name not in TEXT_CHANNELS:
        return {}
    return {
        float(raw * signal.scale + signal.offset) * rule.scale + rule.offset: text
        for raw, text in signal.labels.items()
    }


def _period(time_s: FloatArray) -> float:
    return float(np.median(np.diff(time_s))) if len(time_s) > 1 else float("nan")


def _stale(time_s: FloatArray, database_s: float | None, spec: ChannelSpec | None) -> float:
    if spec is not None and spec.stale_after_s is not None:
        return spec.stale_after_s
    period_s = _period(time_s)
    if np.isnan(period_s):
        period_s = database_s or 0.0
    return max(LEAST_STALE_S, STALE_PERIODS * period_s)
