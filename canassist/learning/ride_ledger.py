"""What rides gave, kept beside the profile: a stopped run goes on, and a later one adds to it."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any, Final

from canassist.atomic_write import write_whole
from canassist.model import BinnedLevel, Profile, Protection, RideFigures
from canassist.profile import default_limits, profile_toml
from canassist.version import VERSION

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path
    from typing import TextIO

ENDING: Final = ".rides.jsonl"
SCHEMA: Final = "canassist-ride-figures/1"


def ledger_of(profile: Path) -> Path:
    """Return where the figures stand that a profile was learned from."""
    return profile.with_suffix(ENDING)


def without_learned(profile: Profile) -> Profile:
    """Return a profile as it was before anything was learned into it.

    Rides are measured by this one, so that they give the same whatever was learned before.
    """
    learned = set(profile.learned_used)
    lines = {
        "protection.temperature": ("derate_start_c", "derate_zero_c"),
        "protection.supply": ("derate_start_v", "derate_zero_v"),
    }
    gone = learned | {f"limits.{end}" for name in learned for end in lines.get(name, ())}
    plain, blank = default_limits(), Protection()
    limits = {name[7:]: getattr(plain, name[7:]) for name in gone if name.startswith("limits.")}
    parts = {
        name.removeprefix("protection."): getattr(blank, name.removeprefix("protection."))
        for name in gone
        if name.startswith("protection.")
    }
    if parts:  # what has no figure of its own was written with the others
        parts |= {name: getattr(blank, name) for name in ("latches", "duty_rule")}
        parts["returns_to_center"] = None
        gone |= {f"protection.{name}" for name in parts}
    words = any(name.startswith("status.") for name in learned)
    return replace(
        profile,
        limits=replace(profile.limits, **limits),
        protection=replace(profile.protection, **parts),
        assist_map=None if "assist_map" in gone else profile.assist_map,
        status_reduced=frozenset() if words else profile.status_reduced,
        status_off=frozenset() if words else profile.status_off,
        given=profile.given - gone,
        learned={},
        notes=(),
        nominal_v=12.0 if "vehicle.nominal_v" in gone else profile.nominal_v,
        supply=replace(
            profile.supply,
            source="" if "supply.source" in gone else profile.supply.source,
            regulated=None if "supply.regulated" in gone else profile.supply.regulated,
        ),
    )


class RideLedger:
    """Figures by the ride's content and all that decides them; a line a ride."""

    def __init__(self, path: Path, earlier: Sequence[Path], *, basis: str) -> None:
        self.path, self.basis = path, basis
        self.known: dict[str, RideFigures] = {}
        for one in earlier:
            self._read(one)
        self.joining = tuple(self.known.values())
        """Rides that an earlier profile was learned from; they count along, logs or none."""
        self._read(path)
        self._file: TextIO | None = None

    def keep(self, ride: RideFigures) -> None:
        """Write a ride's figures down at once."""
        if ride.reason or ride.sha256 in self.known:
            return
        self.known[ride.sha256] = ride
        self._write(ride)

    def name(self, rides: Mapping[str, RideFigures]) -> None:
        """Write all down whole, with the vehicles that the rides were found to be of."""
        self.close()
        self.known = {key: ride for key, ride in sorted(rides.items()) if not ride.reason}
        if not self.known:
            self.path.unlink(missing_ok=True)  # a run that used no ride leaves no file behind
            return
        text = "".join(self._line(ride) for ride in self.known.values())
        write_whole({self.path: text.encode()})

    def close(self) -> None:
        """Close the file."""
        if self._file is not None:
            self._file.close()
            self._file = None

    def _write(self, ride: RideFigures) -> None:
        if self._file is None:
            self._file = self.path.open("a", encoding="utf-8")
        self._file.write(self._line(ride))
        self._file.flush()

    def _line(self, ride: RideFigures) -> str:
        line = {"schema": SCHEMA, "basis": self.basis, "ride": asdict(ride)}
        return json.dumps(line, sort_keys=True) + "\n"

    def _read(self, path: Path) -> None:
        try:
            text = path.read_text("utf-8")
        except (OSError, UnicodeDecodeError):
            return
        for line in text.splitlines():
            try:
                entry: Any = json.loads(line)  # Any: JSON, checked by what it is made into
                if entry["schema"] == SCHEMA and entry["basis"] == self.basis:
                    ride = _ride(entry["ride"])
                    self.known[ride.sha256] = ride
            except (ValueError, TypeError, KeyError):
                continue  # a line that a stop cut short; its ride is read again


def basis_of(dbc_hashes: Sequence[str], profile: Profile) -> str:
    """Return what besides the log decides a ride's figures, as one hash."""
    text = "\n".join((VERSION, *sorted(dbc_hashes), profile_toml(profile)))
    return hashlib.sha256(text.encode()).hexdigest()


def _ride(entry: Any) -> RideFigures:  # noqa: ANN401 - JSON
    levels = {
        str(name): tuple(BinnedLevel(*map(float, item)) for item in items)
        for name, items in entry.pop("levels").items()
    }
    gains = {
        str(mode): tuple((float(x), float(y)) for x, y in table)
        for mode, table in entry.pop("gains").items()
    }
    figures = {str(name): float(value) for name, value in entry.pop("figures").items()}
    return RideFigures(levels=levels, gains=gains, figures=figures, **entry)
