"""Vehicle profiles: TOML text to a checked, frozen `Profile`."""

from __future__ import annotations

import itertools
import tomllib
from collections.abc import Mapping
from dataclasses import asdict
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Final

from canassist import plain_toml
from canassist.errors import ProfileError
from canassist.model import (
    CHANNEL_UNITS,
    LIMIT_NAMES,
    AssistMap,
    ChannelSpec,
    IntegritySpec,
    LimitFact,
    Limits,
    Profile,
    Protection,
)
from canassist.profile.checks import ProfileChecks, Table
from canassist.profile.module_laws import (
    PROTECTION,
    SUPPLY,
    lines_of_curves,
    read_learned,
    read_protection,
    read_supply,
)

MAX_BYTES: Final = 1 << 20
"""Profiles have some thousand bytes; a log given by mistake has many more."""
CHECKSUM_METHODS: Final = ("crc8-j1850", "e2e-p01", "xor8", "sum8")
NOMINAL_V: Final = 12.0
"""Supply that the default limits are for."""
VERSION: Final = 2
"""Of the profile's layout; 1 is read for ever."""
_SINCE_1: Final = ("vehicle", "channels", "integrity", "limits", "status", "assist_map")
_SINCE_2: Final = ("protection", "supply", "learned")
_TOP: Final = ("profile", *_SINCE_1, *_SINCE_2)
_VEHICLE: Final = ("name", "nominal_v", "bit_rate_bps")
_BIT_RATES_BPS: Final = (10_000, 1_000_000)
"""Slowest in use (common practice, no source) and fastest nominal bit rate (ISO 11898-2)."""
_CHANNEL: Final = ("signal", "scale", "offset", "invalid", "stale_after_s")
_INTEGRITY: Final = ("message", "counter", "checksum", "method")
_STATUS: Final = ("reduced", "off")
_ORDERED: Final = (
    ("derate_start_c", "derate_zero_c"),
    ("derate_zero_v", "derate_start_v"),
    ("undervoltage_v", "charging_v"),
    ("charging_v", "overvoltage_v"),
    ("full_assist_pct", "recovered_pct"),
    ("slow_kph", "cruise_kph"),
)


@cache
def limit_facts() -> Mapping[str, LimitFact]:
    """Return default value, unit and source of every limit, in order."""
    text = resources.files("canassist.profile").joinpath("default.toml").read_text("utf-8")
    return {name: LimitFact(**fact) for name, fact in tomllib.loads(text).items()}


def default_limits() -> Limits:
    """Return the limits that hold where a profile gives none."""
    return Limits(**{name: fact.value for name, fact in limit_facts().items()})


def default_profile() -> Profile:
    """Return the profile of an unknown vehicle: default limits and nothing else."""
    return Profile(limits=default_limits())


def read_profile(path: str | Path) -> Profile:
    """Read and check a profile file.

    Raises
    ------
    ProfileError
        If the file is missing, unreadable or not a valid profile.
    """
    path = Path(path)
    try:
        if path.stat().st_size > MAX_BYTES:
            problem = f"{path.name}: is larger than any vehicle profile."
            raise ProfileError(problem, "Give a TOML text file, not a log.")
        text = path.read_text("utf-8-sig")
    except FileNotFoundError as error:
        raise ProfileError(
            f"{path.name}: no such profile.", "Check its name and folder."
        ) from error
    except OSError as error:
        problem = f"{path.name}: the profile cannot be read ({error.strerror or error})."
        raise ProfileError(problem, "Check that it is a file and open to you.") from error
    except UnicodeDecodeError as error:
        problem = f"{path.name}: the profile cannot be read: it is no text in UTF-8."
        raise ProfileError(problem, "Save it as a TOML text file in UTF-8.") from error
    return parse_profile(text, path.name)


def parse_profile(text: str, file_name: str) -> Profile:
    """Check a profile's text and freeze it.

    Parameters
    ----------
    text : str
        TOML as in the README.
    file_name : str
        Named in messages and kept in the profile.

    Raises
    ------
    ProfileError
        On a syntax error, an unknown key (with a near one suggested), a wrong
        type or limits in reversed order; it names the place.
    """
    try:
        table: Table = plain_toml.loads(text)
    except plain_toml.BeyondBoundsError as error:
        problem = f"{file_name}: {error}."
        raise ProfileError(problem, "Give a vehicle profile, not another file.") from error
    except tomllib.TOMLDecodeError as error:
        problem = f"{file_name}: not valid TOML: {error}."
        raise ProfileError(problem, "Correct the line that it names.") from error
    return _Checker(file_name).profile(table)


class _Checker(ProfileChecks):
    """Reads one profile's tables; every complaint names the file and the key."""

    def profile(self, table: Table) -> Profile:
        self._version(table)
        vehicle = self.table(table, "vehicle", _VEHICLE)
        status = self.table(table, "status", _STATUS)
        given_limits = self.table(table, "limits", LIMIT_NAMES)
        protection = read_protection(self, self.table(table, "protection", PROTECTION))
        nominal_v = self.positive(vehicle.get("nominal_v", NOMINAL_V), "vehicle.nominal_v")
        limits = self._limits(given_limits)
        self._in_order(limits, given_limits, nominal_v, protection)
        lines = lines_of_curves(limits, protection, given_limits)
        return Profile(
            limits=lines.limits,
            name=self.text(vehicle.get("name", ""), "vehicle.name"),
            file_name=self.file_name,
            nominal_v=nominal_v,
            bit_rate_bps=self._bit_rate(vehicle.get("bit_rate_bps")),
            channels=self._channels(self.table(table, "channels", tuple(CHANNEL_UNITS))),
            integrity=self._integrity(table.get("integrity", [])),
            status_reduced=self.words(status.get("reduced", []), "status.reduced"),
            status_off=self.words(status.get("off", []), "status.off"),
            assist_map=self._assist_map(table),
            given=frozenset(_leaves(table)) | lines.names,
            protection=protection,
            supply=read_supply(self, self.table(table, "supply", SUPPLY)),
            learned=read_learned(self, table.get("learned", {})),
            notes=lines.notes,
        )

    def _version(self, table: Table) -> None:
        version = table.get("profile", VERSION)
        if isinstance(version, bool) or version not in {1, VERSION}:
            fix = f"Set profile = {VERSION}."
            self.refuse("profile", "is not a version this program reads", fix)
        later = next((name for name in _SINCE_2 if name in table), None)
        if version == 1 and later:
            fix = f"Set profile = {VERSION}."
            self.refuse(later, "is not known in profile = 1", fix)
        self.known(table, _TOP, "")

    def _bit_rate(self, value: object) -> int | None:
        if value is None:
            return None
        place = "vehicle.bit_rate_bps"
        rate = self.number(value, place)
        lowest, highest = _BIT_RATES_BPS
        if not (rate.is_integer() and lowest <= rate <= highest):
            fix = f"Write the bus's bit/s, {lowest} to {highest}, such as 500000."
            self.refuse(place, f"= {rate:g} is no bit rate of a CAN bus", fix)
        return int(rate)

    def _limits(self, table: Table) -> Limits:
        values = asdict(default_limits())
        for name, value in table.items():
            values[name] = self.number(value, f"limits.{name}")
            if values[name] < 0 and not name.endswith("_c"):
                self.refuse(f"limits.{name}", "is negative", "Give a positive number.")
        return Limits(**values)

    def _in_order(
        self, limits: Limits, table: Table, nominal_v: float, protection: Protection
    ) -> None:
        """Refuse limits in reversed order; a default one that does not hold is not asked."""
        curved = {"temperature": "derate_start_c", "supply": "derate_zero_v"}
        replaced = {low for name, low in curved.items() if getattr(protection, name)}
        for low, high in _ORDERED:
            given = (low in table) + (high in table)
            volts = low.endswith("_v") and nominal_v != NOMINAL_V
            if not given or low in replaced or (volts and given == 1):
                continue
            low_is, high_is = getattr(limits, low), getattr(limits, high)
            if low_is > high_is:
                self.refuse(
                    f"limits.{low}",
                    f"= {low_is:g} lies above limits.{high} = {high_is:g}",
                    f"Set {low} below {high}, or give both.",
                )

    def _channels(self, table: Table) -> dict[str, ChannelSpec]:
        found = {}
        for name, entry in table.items():
            place = f"channels.{name}"
            fields: Table = {"signal": entry} if isinstance(entry, str) else entry
            if not isinstance(fields, Mapping):
                self.refuse(place, "is neither text nor a table", 'Write "Message.Signal".')
            self.known(fields, _CHANNEL, place)
            signal = self.text(fields.get("signal", ""), f"{place}.signal")
            if "." not in signal:
                self.refuse(
                    f"{place}.signal",
                    f'"{signal}" names no message',
                    'Write "Message.Signal" as in the database.',
                )
            found[name] = self._spec(fields, signal, place)
        return found

    def _spec(self, fields: Table, signal: str, place: str) -> ChannelSpec:
        scale = self.optional(fields, "scale", place)
        if scale == 0:
            self.refuse(f"{place}.scale", "= 0 makes every value the same", "Give the factor.")
        stale = fields.get("stale_after_s")
        return ChannelSpec(
            signal=signal,
            scale=scale,
            offset=self.optional(fields, "offset", place),
            invalid=self.numbers(fields.get("invalid", []), f"{place}.invalid"),
            stale_after_s=None if stale is None else self.positive(stale, f"{place}.stale_after_s"),
        )

    def _integrity(self, entries: object) -> tuple[IntegritySpec, ...]:
        if not isinstance(entries, list):
            self.refuse("integrity", "is not a list of tables", "Write [[integrity]].")
        specs = []
        for number, entry in enumerate(entries, start=1):
            place = f"integrity {number}"
            if not isinstance(entry, Mapping):
                self.refuse(place, "is not a table", "Write [[integrity]].")
            self.known(entry, _INTEGRITY, place)
            words = {key: self.text(value, f"{place}.{key}") for key, value in entry.items()}
            if not words.get("message"):
                self.refuse(place, "names no message", 'Add message = "...".')
            method = words.get("method", "")
            if words.get("checksum") and method not in CHECKSUM_METHODS:
                near = ", ".join(CHECKSUM_METHODS)
                self.refuse(f"{place}.method", f'"{method}" is unknown', f"Choose one of {near}.")
            specs.append(IntegritySpec(**words))
        return tuple(specs)

    def _assist_map(self, table: Table) -> AssistMap | None:
        entry = table.get("assist_map")
        if entry is None:
            return None
        if not isinstance(entry, Mapping):
            self.refuse("assist_map", "is not a table", "Write [assist_map].")
        fixed = ("speed_kph", "driver_deadband_nm", "max_assist_nm")
        speed = self.numbers(entry.get("speed_kph", []), "assist_map.speed_kph")
        if not speed or any(b <= a for a, b in itertools.pairwise(speed)):
            self.refuse("assist_map.speed_kph", "does not rise", "Give rising speeds.")
        gains = {}
        for mode, row in entry.items():
            if mode in fixed:
                continue
            gains[mode] = self.numbers(row, f"assist_map.{mode}")
            if len(gains[mode]) != len(speed) or min(gains[mode]) < 0:
                self.refuse(
                    f"assist_map.{mode}",
                    f"needs {len(speed)} gains of 0 or more, one a speed",
                    "Give one gain for each speed.",
                )
        if not gains:
            self.refuse("assist_map", "holds no gains", 'Add "*" = [...] for every mode.')
        return AssistMap(
            speed_kph=speed,
            gains=gains,
            driver_deadband_nm=self._deadband(entry.get("driver_deadband_nm", 0.5)),
            max_assist_nm=self.positive(
                entry.get("max_assist_nm", 40.0), "assist_map.max_assist_nm"
            ),
        )

    def _deadband(self, value: object) -> float:
        place = "assist_map.driver_deadband_nm"
        number = self.number(value, place)
        if number < 0:
            self.refuse(place, f"= {number:g} is negative", "Give 0 or more.")
        return number


def _leaves(table: Table, above: str = "") -> list[str]:
    names = []
    for key, value in table.items():
        if isinstance(value, Mapping):
            names += _leaves(value, f"{above}{key}.")
        names.append(f"{above}{key}")
    return names
