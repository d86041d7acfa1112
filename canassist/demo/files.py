"""The demo's files: sample logs with their truth, database, profile, and what they are."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from canassist.atomic_write import write_whole
from canassist.demo.bus.background import BUSY, QUIET
from canassist.demo.bus.frame_table import all_frames
from canassist.demo.bus.message_layout import dbc_text
from canassist.demo.bus.trail import TRAIL
from canassist.demo.bus.writers import log_bytes
from canassist.demo.memory import START_UTC
from canassist.demo.plant.scenario import Scenario
from canassist.demo.profile_text import profile_text
from canassist.demo.rides import RIDES, VEHICLE
from canassist.demo.simulated import SimulatedRide, simulate
from canassist.demo.sound_rides import SOUND_RIDES
from canassist.demo.truth.observe import TrueEvent
from canassist.errors import OutputError
from canassist.model import Progress, Step, silent

if TYPE_CHECKING:
    from collections.abc import Collection

LOGS_FOLDER: Final = "sample_logs"
DATABASE_FOLDER: Final = "dbc_demo"
SOUND_FOLDER: Final = "sound"
LEARNED_PROFILE: Final = "learned_vehicle.toml"
_ENDINGS: Final = {
    "healthy_mixed": ".log.gz",
    "hot_tight_turns": ".blf",
    "weak_battery": ".asc.gz",
    "not_charging": ".log.gz",
    "supply_resistance": ".blf",
    "speed_lost": ".log.gz",
    "torque_offset": ".asc.gz",
    "second_vehicle": ".log.gz",
}
_SOUND_ENDING: Final = ".log.xz"
_REMARK: Final = "Messages of an invented utility off-road vehicle. No real vehicle sends these."
_DATABASE_README: Final = """\
# Database and profile of the demo vehicle

All of it is invented: the vehicle, its messages, names, figures and limits. No real vehicle
sends these messages.

- `{name}.dbc`: eight messages of a utility off-road vehicle on a
  500 kbit/s bus. Among them are both byte orders, signed values, a message with pages
  (`RiderPanel`), value tables, "no value" codes, and a message with an alive counter and a
  checksum (`SteerEffort`).
- `{name}.toml`: its profile: which signal serves which channel, its limits, the
  status texts that mean reduced assist, and its assist map for each of the rider's modes.
- `{learned}`: what `canassist learn` found of it in the four rides of
  `../{logs}/{sound}`, with the source of each figure; nothing in it was given.

The steering module of this vehicle takes assist back by two straight lines, from 85 degC (none
left at 115 degC) and from 11.0 V (none left at 9.0 V); the lower one holds. On the way back it
waits for 2 K or 0.2 V more, and the limit falls by at most 250 % and rises by at most 100 % a
second. Without road speed it gives half. It tells its limit in steps of 0.5 %.

`canassist demo` writes these files anew.
"""
_LOGS_README: Final = """\
# Sample rides

Simulated rides of an invented vehicle (see `../{folder}`): nobody rode them. Beside each log lies
its truth, `NAME.truth.json`: which events really happened, from the noiseless channels, why the
steering was heavy, and the figures that were planted. An event listed as doubtful is so near its
limit that sensor noise decides whether a reader can see it.

| log | minutes | what it shows | first conclusion |
|---|---|---|---|
{rows}

`{sound}/` holds four short rides of three sound vehicles of this model, a folder a vehicle, for
`canassist learn {sound}`; they have no truth beside them but that nothing is wrong.

`canassist demo` writes these files anew; `canassist demo --busy` writes the same rides among 34
further messages.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenRide:
    """A sample ride on disk, and what belongs to it."""

    name: str
    title: str
    log: Path
    truth: Path
    dbc: Path
    profile: Path


def write_demo(
    folder: Path,
    *,
    busy: bool = False,
    only: Collection[str] = (),
    progress: Progress = silent,
) -> tuple[WrittenRide, ...]:
    """Write sample logs, their truth, sound vehicles' rides, the database and the profile.

    Parameters
    ----------
    folder : Path
        Gets ``sample_logs`` and ``dbc_demo``; made where missing.
    busy : bool
        Put the rides among 34 further messages, about 35 % bus load in all. The logs
        are candump text then, and larger than 1 MB.
    only : collection of str
        Names of the rides to write; all, and those of sound vehicles, where empty.
    progress : callable, optional
        Called with a `Step` after each ride.

    Returns
    -------
    tuple of WrittenRide
        In the order of `RIDES`.

    Raises
    ------
    OutputError
        If the folder cannot be made or written. No file is left half-written.
    """
    logs, database = folder / LOGS_FOLDER, folder / DATABASE_FOLDER
    for made in (logs, database):
        _make(made)
    dbc, profile = database / f"{TRAIL.name}.dbc", database / f"{TRAIL.name}.toml"
    texts = {
        dbc: dbc_text(TRAIL, _REMARK),
        profile: profile_text(TRAIL, VEHICLE),
        database / "README.md": _DATABASE_README.format(
            name=TRAIL.name, learned=LEARNED_PROFILE, logs=LOGS_FOLDER, sound=SOUND_FOLDER
        ),
    }
    write_whole({path: text.encode() for path, text in texts.items()})
    written = []
    chosen = [one for one in RIDES.values() if not only or one.name in only]
    for number, scenario in enumerate(chosen):
        progress(Step("simulating rides", number, len(chosen)))
        log, truth = _write_ride(scenario, logs, busy=busy)
        written.append(
            WrittenRide(
                name=scenario.name,
                title=scenario.title,
                log=log,
                truth=truth,
                dbc=dbc,
                profile=profile,
            )
        )
    write_whole({logs / "README.md": _logs_readme(written).encode()})
    if not only:
        write_sound_rides(logs / SOUND_FOLDER)
    progress(Step("simulating rides", len(chosen), len(chosen)))
    return tuple(written)


def write_sound_rides(folder: Path) -> tuple[Path, ...]:
    """Write the rides of sound vehicles, a folder a vehicle; return the logs.

    Raises
    ------
    OutputError
        If a folder cannot be made or written.
    """
    logs = []
    for vehicle, scenarios in SOUND_RIDES.items():
        _make(folder / vehicle)
        for scenario in scenarios:
            log = folder / vehicle / f"{scenario.name}{_SOUND_ENDING}"
            content = log_bytes(_SOUND_ENDING, all_frames(simulate(scenario), QUIET), START_UTC)
            write_whole({log: content})
            logs.append(log)
    return tuple(logs)


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        problem = f"{folder}: this folder cannot be made, or a file has its name."
        raise OutputError(problem, "Choose a folder that is yours, not a file's name.") from error


def _write_ride(scenario: Scenario, logs: Path, *, busy: bool) -> tuple[Path, Path]:
    ending = ".log.gz" if busy else _ENDINGS[scenario.name]
    log, truth = logs / f"{scenario.name}{ending}", logs / f"{scenario.name}.truth.json"
    ride = simulate(scenario)
    table = all_frames(ride, BUSY if busy else QUIET)
    content = log_bytes(ending, table, START_UTC, quick=busy)
    write_whole({log: content, truth: truth_json(ride, log.name).encode()})
    for other in set(_ENDINGS.values()) - {ending}:
        # An earlier call wrote this ride in another format: its truth is no longer there.
        (logs / f"{scenario.name}{other}").unlink(missing_ok=True)
    return log, truth


def truth_json(ride: SimulatedRide, log_name: str) -> str:
    """Return a ride's truth as it lies beside the log.

    Paths in it count from the folder that holds ``sample_logs`` and ``dbc_demo``.
    """
    scenario, truth = ride.scenario, ride.truth
    table = {
        "log": log_name,
        "title": scenario.title,
        "dbc": f"{DATABASE_FOLDER}/{scenario.layout.name}.dbc",
        "profile": f"{DATABASE_FOLDER}/{scenario.layout.name}.toml",
        "seed": scenario.seed,
        "first_conclusion": str(truth.conclusion),
        "events": [_event_row(event) for event in truth.events],
        "doubtful": [_event_row(event) for event in truth.doubtful],
        "parameters": dict(truth.parameters),
    }
    return json.dumps(table, indent=1) + "\n"


def _event_row(event: TrueEvent) -> dict[str, object]:
    row: dict[str, object] = {
        "kind": event.kind,
        "cause": event.cause,
        "start_s": round(event.start_s, 3),
        "end_s": None if event.end_s is None else round(event.end_s, 3),
    }
    row |= {"channel": event.channel} if event.channel else {}
    row |= {"code": event.code} if event.code else {}
    row |= {"also": list(event.also)} if event.also else {}
    return row


def _logs_readme(written: list[WrittenRide]) -> str:
    rows = [
        f"| `{ride.log.name}` | {_minutes(RIDES[ride.name])} | {ride.title} "
        f"| `{RIDES[ride.name].conclusion}` |"
        for ride in written
    ]
    return _LOGS_README.format(folder=DATABASE_FOLDER, sound=SOUND_FOLDER, rows="\n".join(rows))


def _minutes(scenario: Scenario) -> str:
    minutes, seconds = divmod(round(scenario.seconds), 60)
    return f"{minutes}:{seconds:02d}"
