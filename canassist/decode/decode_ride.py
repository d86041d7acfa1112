"""One ride: sorted frames in, channels and everything else that the frames say out."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from canassist.decode.belief import believe
from canassist.decode.build_channels import ChannelBuilder
from canassist.decode.candidates import ChannelChoice, Ranked
from canassist.decode.database_fit import fit_of
from canassist.decode.matching import choose, place_signals, unused_signals
from canassist.decode.signals.integrity import CheckedMessage, check_integrity
from canassist.decode.standards.diagnostic_codes import find_trouble_codes
from canassist.decode.standards.diagnostic_messages import read_diagnosis
from canassist.decode.standards.identity import find_identity
from canassist.decode.standards.j1939 import address_name, j1939_buses
from canassist.decode.standards.precedence import readable
from canassist.decode.standards.standard_quantities import (
    StandardQuantity,
    find_standard,
    standard_sources,
)
from canassist.model import (
    CHANNEL_UNITS,
    EXTENDED_KEY,
    Channel,
    CodeSighting,
    DatabaseFit,
    FrameSource,
    Identity,
    Integrity,
    MessageFrames,
    Problem,
)

if TYPE_CHECKING:
    from canassist.decode.database.layouts import Databases
    from canassist.decode.plan import ReadingPlan
    from canassist.model import BusStats, Profile


@dataclass(frozen=True, slots=True, kw_only=True)
class DecodedRide:
    """Everything that a ride's frames say.

    Attributes
    ----------
    channels : mapping of name to Channel
        In the order of `CHANNEL_UNITS`; only those with at least one frame.
    senders : mapping of FrameSource to str
        Node behind each identifier: as a database names it, or its J1939 address.
    ids_known : int
        How many of the log's identifiers a database or a standard explains.
    ranking : mapping of channel to ChannelChoice
        For the channels that neither the profile nor a standard settled: every candidate.
    extras : tuple of StandardQuantity
        Standard quantities that serve no channel, such as engine run time.
    fit : DatabaseFit or None
        How the databases and the bus go together; None without a database.
    unused : mapping of unit to signal names
        As `Timeline.unused`.
    """

    channels: Mapping[str, Channel]
    senders: Mapping[FrameSource, str] = field(default_factory=dict)
    integrity: tuple[Integrity, ...] = ()
    trouble_codes: tuple[CodeSighting, ...] = ()
    identity: Identity = field(default_factory=Identity)
    ids_known: int = 0
    problems: tuple[Problem, ...] = ()
    ranking: Mapping[str, ChannelChoice] = field(default_factory=dict)
    extras: tuple[StandardQuantity, ...] = ()
    fit: DatabaseFit | None = None
    unused: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


def decode_ride(
    frames: Mapping[FrameSource, MessageFrames],
    plan: ReadingPlan,
    profile: Profile,
    stats: BusStats,
) -> DecodedRide:
    """Decode all that the plan asks for.

    A channel is served by what the profile names, else by the best candidate of the given
    databases, else by a standard: its broadcasts before its polled replies.

    Parameters
    ----------
    frames : mapping of FrameSource to MessageFrames
        As `FrameCollector.finish` gives them.
    plan : ReadingPlan
        As made before reading, with the same profile.
    stats : BusStats
        Traffic of the whole log.

    Raises
    ------
    ValueError
        If the plan was made with another profile.
    """
    if profile != plan.profile:
        raise ValueError("the plan was made with another profile")
    builder = ChannelBuilder(frames, plan, stats)
    found = readable(find_standard(frames, stats), frames, plan.databases, stats)
    channels, ranking = _channels(builder, found, plan, stats)
    checked = _check_integrity(builder, plan)
    diagnosis = read_diagnosis(frames, stats)
    fit = fit_of(plan.databases, frames, stats)
    return DecodedRide(
        channels={name: channels[name] for name in CHANNEL_UNITS if name in channels},
        senders=_senders(plan.databases, stats),
        integrity=tuple(one.integrity for one in checked),
        trouble_codes=find_trouble_codes(diagnosis),
        identity=find_identity(diagnosis),
        ids_known=_ids_known(plan.databases, stats, frames),
        problems=(
            *plan.databases.problems,
            *_misfit(fit, plan.databases),
            *builder.problems,
            *_unbelieved(channels),
            *(problem for one in checked for problem in one.problems),
        ),
        ranking=ranking,
        extras=tuple(one for one in found if not one.channel),
        fit=fit,
        unused={}
        if fit is None or fit.reason
        else unused_signals(plan.databases, stats, _served(channels, ranking)),
    )


def _channels(
    builder: ChannelBuilder,
    found: Sequence[StandardQuantity],
    plan: ReadingPlan,
    stats: BusStats,
) -> tuple[dict[str, Channel], Mapping[str, ChannelChoice]]:
    """Settle every channel, and return what was chosen among candidates beside it.

    What the profile names is not replaced in silence: where no frame of it came, the
    channel is missing.
    """
    named = builder.from_profile(found)
    left = [name for name in CHANNEL_UNITS if name not in plan.profile.channels]
    reference = _standard_channels(builder, found, plan)
    standard = {name: reference[name] for name in left if name in reference}
    measured = builder.measure({name: plan.candidates.get(name, ()) for name in left})
    ranking = choose(measured, stats, decided=named, reference=standard, profile=plan.profile)
    unplaced = builder.unplaced(measured)
    if unplaced:
        settled = {**standard, **builder.preview(ranking.values()), **named}
        ranking = place_signals(ranking, unplaced, settled)
    chosen = builder.from_choices(ranking.values())
    built = believe({**standard, **chosen, **named}, plan.profile, builder.rules)
    return _with_stand_in(built), _with_doubts(ranking, built)


def _with_doubts(
    ranking: Mapping[str, ChannelChoice], built: Mapping[str, Channel]
) -> Mapping[str, ChannelChoice]:
    """Let what bounds and neighbours doubt be asked like a close choice, however it was named."""
    doubted: dict[str, ChannelChoice] = dict(ranking)
    for name, channel in built.items():
        if not channel.doubt:
            continue
        choice = doubted.get(name)
        if choice is None or choice.chosen is None:
            line = Ranked(signal=channel.signal, source=channel.source, score=0.0)
            choice = ChannelChoice(channel=name, ranking=(line,))
        doubted[name] = replace(choice, doubt=channel.doubt, profile_lines=channel.profile_lines)
    return doubted


def _served(
    channels: Mapping[str, Channel], ranking: Mapping[str, ChannelChoice]
) -> dict[str, list[str]]:
    """Return the channels that are served or asked about, with the signals in question."""
    served = {name: [one.signal] for name, one in channels.items() if not one.stands_in}
    for name, choice in ranking.items():
        if choice.doubt:
            served[name] = [*served.get(name, ()), *(one.signal for one in choice.ranking)]
    return served


def _standard_channels(
    builder: ChannelBuilder, found: Sequence[StandardQuantity], plan: ReadingPlan
) -> dict[str, Channel]:
    """Return what the standards give, broadcasts before replies; what cannot be is none."""
    broadcast = builder.from_standard(one for one in found if one.is_broadcast)
    replies = builder.from_standard(one for one in found if not one.is_broadcast)
    every = {**replies, **broadcast}
    judged = believe(every, plan.profile, {})
    return {name: every[name] for name, one in judged.items() if not one.held_out}


def _with_stand_in(channels: Mapping[str, Channel]) -> dict[str, Channel]:
    """Let another unit's voltage stand in where the module does not report its own supply."""
    system = channels.get("system_voltage")
    if system is None or "supply_voltage" in channels:
        return dict(channels)
    return {**channels, "supply_voltage": replace(system, name="supply_voltage", stands_in=True)}


def _check_integrity(builder: ChannelBuilder, plan: ReadingPlan) -> list[CheckedMessage]:
    """Check each message that the profile names; of several identifiers the busiest one."""
    checked = []
    for one in plan.integrity:
        sources = builder.sources_of(one.message)
        if sources:
            busiest = max(sources, key=lambda source: len(builder.frames[source].time_s))
            checked.append(check_integrity(builder.frames[busiest], one))
    return checked


def _senders(databases: Databases, stats: BusStats) -> dict[FrameSource, str]:
    """Name the node behind each identifier: as the databases do, else its J1939 address."""
    found, buses = {}, j1939_buses(stats)
    for item in stats.ids:
        source = item.source
        message = databases.message_for(source.key, stats.buses[source.bus])
        if message is not None and message.sender:
            found[source] = message.sender
        elif source.bus in buses and source.key & EXTENDED_KEY:
            found[source] = address_name(source.key)
    return found


def _ids_known(
    databases: Databases, stats: BusStats, frames: Mapping[FrameSource, MessageFrames]
) -> int:
    known = _known_to(databases, stats) | standard_sources(frames, stats)
    return len(known & {item.source for item in stats.ids})


def _known_to(databases: Databases, stats: BusStats) -> set[FrameSource]:
    return {
        item.source
        for item in stats.ids
        if databases.message_for(item.source.key, stats.buses[item.source.bus]) is not None
    }


def _unbelieved(channels: Mapping[str, Channel]) -> Iterable[Problem]:
    """Tell of channels that cannot be believed, and what to write where they are right."""
    for name, channel in channels.items():
        if channel.held_out and not channel.stands_in:
            lines = " ".join(channel.profile_lines.splitlines())
            way_out = f"; if that is so, write into the profile: {lines}" if lines else ""
            what = f"{channel.held_out}; nothing is judged by it{way_out}"
            yield Problem(f"channel {name}", what)


def _misfit(fit: DatabaseFit | None, databases: Databases) -> Iterable[Problem]:
    """Say so where the databases are another vehicle's."""
    if fit is not None and fit.reason:
        yield Problem(", ".join(databases.names), fit.reason)
