"""Which identifiers of a log have to be read, before the first frame is."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, NoReturn

from canassist.decode.candidates import Candidate
from canassist.decode.database.layouts import Databases, MessageLayout, SignalLayout
from canassist.decode.matching import rank_static, unnamed_candidates
from canassist.decode.standards.standard_quantities import (
    STANDARD_IDS,
    STANDARD_MASKS,
    STANDARD_NAMES,
)
from canassist.errors import ProfileError
from canassist.model import IdMask, IdSet

if TYPE_CHECKING:
    from canassist.model import IntegritySpec, Profile

NamedSignal = tuple[MessageLayout, SignalLayout]

_NO_DATABASE: Final = "Give the vehicle's database with --dbc."


@dataclass(frozen=True, slots=True, kw_only=True)
class IntegrityPlan:
    """Alive counter and checksum of one message."""

    message: MessageLayout
    counter: SignalLayout | None
    checksum: SignalLayout | None
    method: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingPlan:
    """What to read of a log, and what for.

    Attributes
    ----------
    wanted : IdSet
        Identifiers whose payload is needed.
    named : mapping of channel to signals
        What the profile names; more than one where several databases know the name.
    standard : mapping of channel to name
        Channels for which the profile names a standard's own quantity.
    candidates : mapping of channel to candidates
        Signals that may serve the channels which the profile does not name.
    unnamed : tuple of Candidate
        Signals of the right unit whose names say nothing: behaviour may place them.
    """

    databases: Databases
    profile: Profile
    wanted: IdSet
    named: Mapping[str, tuple[NamedSignal, ...]] = field(default_factory=dict)
    standard: Mapping[str, str] = field(default_factory=dict)
    candidates: Mapping[str, tuple[Candidate, ...]] = field(default_factory=dict)
    unnamed: tuple[Candidate, ...] = ()
    integrity: tuple[IntegrityPlan, ...] = ()


def plan_reading(databases: Databases, profile: Profile) -> ReadingPlan:
    """Decide what has to be read.

    Parameters
    ----------
    databases : Databases
        What the log may be decoded with; may be empty.
    profile : Profile
        Channels that it names are read as it says; candidates are ranked for the others.

    Raises
    ------
    ProfileError
        If it names a signal or message that no database has; with names spelled nearly so.
    """
    finder = _Finder(databases, profile)
    named, standard = {}, {}
    for channel, spec in profile.channels.items():
        if spec.signal in STANDARD_NAMES:
            standard[channel] = spec.signal
        else:
            named[channel] = finder.signals(spec.signal, f"channels.{channel}")
    integrity = tuple(finder.integrity(spec) for spec in profile.integrity)
    candidates = rank_static(databases, skip=frozenset(profile.channels))
    unnamed = unnamed_candidates(databases, candidates, skip=frozenset(profile.channels))
    messages = [message for signals in named.values() for message, _ in signals]
    messages += [one.message for ranked in candidates.values() for one in ranked]
    messages += [one.message for one in unnamed]
    messages += [plan.message for plan in integrity]
    return ReadingPlan(
        databases=databases,
        profile=profile,
        wanted=_wanted(messages),
        named=named,
        standard=standard,
        candidates=candidates,
        unnamed=unnamed,
        integrity=integrity,
    )


def _wanted(messages: Iterable[MessageLayout]) -> IdSet:
    keys: set[int] = set(STANDARD_IDS)
    masks: list[IdMask] = list(STANDARD_MASKS)
    for message in messages:
        mask = message.id_mask
        if mask is None:
            keys.add(message.key)
        else:
            masks.append(mask)
    return IdSet(keys, masks)


class _Finder:
    """Finds what a profile names; every complaint names the profile and the key."""

    def __init__(self, databases: Databases, profile: Profile) -> None:
        self.databases = databases
        self.file_name = profile.file_name or "profile"

    def signals(self, full_name: str, place: str) -> tuple[NamedSignal, ...]:
        found = self.databases.find(full_name)
        if not found:
            self._refuse(place, f'signal "{full_name}"', self.databases.near_names(full_name))
        return found

    def integrity(self, spec: IntegritySpec) -> IntegrityPlan:
        place = f"integrity of {spec.message}"
        messages = self.databases.by_name.get(spec.message, ())
        if not messages:
            near = difflib.get_close_matches(spec.message, self.databases.by_name, n=3, cutoff=0.5)
            self._refuse(place, f'message "{spec.message}"', near)
        message = messages[0]
        checksum = self._field(message, spec.checksum, place)
        if checksum is not None and not _is_whole_byte(checksum):
            problem = f"{self.file_name}: {place}: {checksum.name} is not one whole byte."
            raise ProfileError(problem, "Name the signal that holds the 8-bit checksum.")
        return IntegrityPlan(
            message=message,
            counter=self._field(message, spec.counter, place),
            checksum=checksum,
            method=spec.method,
        )

    def _field(self, message: MessageLayout, name: str, place: str) -> SignalLayout | None:
        if not name:
            return None
        if name not in message.by_name:
            near = difflib.get_close_matches(name, message.by_name, n=3, cutoff=0.5)
            self._refuse(place, f'signal "{message.name}.{name}"', near)
        return message.by_name[name]

    def _refuse(self, place: str, what: str, near: Iterable[str]) -> NoReturn:
        names = " or ".join(f'"{name}"' for name in near)
        fix = f"Did you mean {names}?" if names else "Check the spelling against the database."
        if not self.databases.names:
            raise ProfileError(f"{self.file_name}: {place} needs a database.", _NO_DATABASE)
        where = ", ".join(self.databases.names)
        raise ProfileError(f"{self.file_name}: {place}: there is no {what} in {where}.", fix)


def _is_whole_byte(signal: SignalLayout) -> bool:
    lowest = signal.start % 8 == (7 if signal.big_endian else 0)
    return signal.length == 8 and lowest  # noqa: PLR2004 - bits in a byte
