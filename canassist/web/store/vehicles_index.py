"""Vehicles: databases and profile, kept once and found again."""

from __future__ import annotations

import hashlib
import json
import time
import tomllib
from dataclasses import dataclass
from typing import TYPE_CHECKING

from canassist.profile import parse_profile
from canassist.web.http.refusal import refused
from canassist.web.store.records import Stored, new_id

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Sequence

    from canassist.web.store.index_database import Database


@dataclass(frozen=True, slots=True, kw_only=True)
class VehicleRecord:
    """A vehicle: its name, its databases and its profile."""

    id: str
    name: str
    created_s: float
    databases: tuple[Stored, ...] = ()
    profile: Stored | None = None
    deleted: bool = False
    identity: str = ""


class Vehicles:
    """Keeps vehicles and what was settled about their channels.

    Parameters
    ----------
    database : Database
    """

    def __init__(self, database: Database) -> None:
        self._database = database

    def all(self) -> list[VehicleRecord]:
        """Return every vehicle, the newest first."""
        text = "SELECT * FROM vehicles WHERE deleted_s IS NULL ORDER BY created_s DESC"
        return [self._whole(row) for row in self._database.reading().execute(text).fetchall()]

    def get(self, vehicle: str | None) -> VehicleRecord | None:
        """Return a vehicle, or None."""
        text = "SELECT * FROM vehicles WHERE id = ?"
        row = self._database.reading().execute(text, (vehicle,)).fetchone()
        return self._whole(row) if row else None

    def add(self, name: str, databases: Sequence[Stored], profile: Stored | None) -> VehicleRecord:
        """Keep a vehicle; the same files are the same vehicle, whatever was answered since.

        Databases that come without a profile are those of the vehicle that has them.
        """
        text = "SELECT * FROM vehicles WHERE files_key = ? AND deleted_s IS NULL"
        key = _key(databases, profile)
        with self._database.writing() as index:
            row = index.execute(text, (key,)).fetchone()
            if row:
                return self._whole(row)
            same = [one for one in self.all() if _hashes(one) == [it.sha256 for it in databases]]
            if same and profile is None:
                return same[0]
            vehicle = new_id()
            index.execute(
                "INSERT INTO vehicles(id, name, created_s, files_key) VALUES (?, ?, ?, ?)",
                (vehicle, name, time.time(), key),
            )
            _put_files(index, vehicle, databases, profile)
        found = self.get(vehicle)
        assert found is not None  # noqa: S101 - just added
        return found

    def rename(self, vehicle: str, name: str) -> None:
        """Give a vehicle another name."""
        with self._database.writing() as index:
            index.execute("UPDATE vehicles SET name = ? WHERE id = ?", (name, vehicle))

    def replace_files(
        self, vehicle: str, databases: Sequence[Stored], profile: Stored | None
    ) -> None:
        """Give a vehicle other files; reports that are there stay as they are."""
        with self._database.writing() as index:
            index.execute("DELETE FROM vehicle_files WHERE vehicle = ?", (vehicle,))
            index.execute(
                "UPDATE vehicles SET files_key = ? WHERE id = ?",
                (_key(databases, profile), vehicle),
            )
            _put_files(index, vehicle, databases, profile)

    def write_profile(self, vehicle: VehicleRecord, profile: Stored) -> None:
        """Keep a profile that answers were written into; the vehicle is the same as before."""
        with self._database.writing() as index:
            index.execute("DELETE FROM vehicle_files WHERE vehicle = ?", (vehicle.id,))
            _put_files(index, vehicle.id, vehicle.databases, profile)

    def merge(self, vehicle: str, into: str) -> None:
        """Make two vehicles one: its rides, jobs and answers go to the other."""
        with self._database.writing() as index:
            index.execute("UPDATE rides SET vehicle = ? WHERE vehicle = ?", (into, vehicle))
            index.execute("UPDATE repair_jobs SET vehicle = ? WHERE vehicle = ?", (into, vehicle))
            index.execute(
                "INSERT OR IGNORE INTO settled SELECT ?, channel, signal FROM settled"
                " WHERE vehicle = ?",
                (into, vehicle),
            )
            index.execute("UPDATE vehicles SET deleted_s = ? WHERE id = ?", (time.time(), vehicle))

    def rides(self) -> dict[str, tuple[int, float]]:
        """Return for each vehicle how many rides it has, and when the last one came."""
        text = "SELECT vehicle, count(*), max(created_s) FROM rides WHERE deleted_s IS NULL"
        rows = self._database.reading().execute(f"{text} AND vehicle IS NOT NULL GROUP BY vehicle")
        return {row[0]: (row[1], row[2]) for row in rows}

    def unsettle(self, vehicle: str, channel: str) -> None:
        """Forget an answer, so that it is asked again."""
        with self._database.writing() as index:
            index.execute(
                "DELETE FROM settled WHERE vehicle = ? AND channel = ?", (vehicle, channel)
            )

    def delete(self, vehicle: str) -> None:
        """Take a vehicle out of the choice; rides keep their reports."""
        with self._database.writing() as index:
            index.execute("UPDATE vehicles SET deleted_s = ? WHERE id = ?", (time.time(), vehicle))

    def restore(self, vehicle: str) -> None:
        """Bring a vehicle back into the choice."""
        with self._database.writing() as index:
            index.execute("UPDATE vehicles SET deleted_s = NULL WHERE id = ?", (vehicle,))

    def settle(self, vehicle: str, channel: str, signal: str) -> None:
        """Remember an answer; an empty signal means that none of them serves."""
        with self._database.writing() as index:
            index.execute("REPLACE INTO settled VALUES (?, ?, ?)", (vehicle, channel, signal))

    def settled(self, vehicle: str | None) -> dict[str, str]:
        """Return the answers given for a vehicle, by channel."""
        text = "SELECT channel, signal FROM settled WHERE vehicle = ?"
        rows = self._database.reading().execute(text, (vehicle,))
        return {row[0]: row[1] for row in rows}

    def _whole(self, row: sqlite3.Row) -> VehicleRecord:
        text = "SELECT role, sha256, name FROM vehicle_files WHERE vehicle = ? ORDER BY role, place"
        rows = self._database.reading().execute(text, (row["id"],)).fetchall()
        files = [(one[0], Stored(sha256=one[1], name=one[2], size=0)) for one in rows]
        return VehicleRecord(
            id=row["id"],
            name=row["name"],
            created_s=row["created_s"],
            databases=tuple(file for role, file in files if role == "dbc"),
            profile=next((file for role, file in files if role == "profile"), None),
            deleted=row["deleted_s"] is not None,
            identity=row["identity"],
        )


def profile_name(data: bytes, file_name: str) -> str:
    """Return the vehicle's name in a profile; empty where it gives none.

    Raises
    ------
    CanassistError
        If it is not a valid profile.
    """
    return parse_profile(_text(data), file_name).name


def with_channel(data: bytes | None, channel: str, answer: str) -> bytes:
    """Return a profile's text with one channel set; all else stays as it was written.

    Parameters
    ----------
    answer : str
        A signal's name, or a signal and how it is read as an inline table. What the profile said
        of the channel before becomes a remark, which `without_channel` undoes.

    Raises
    ------
    Refused
        If the profile is laid out so that nothing can be added to it.
    CanassistError
        If the profile is not valid.
    """
    text = _text(data) if data else "profile = 1"
    lines = _remarked(text.removesuffix("\n").split("\n"), channel)
    line = _line(channel, answer)
    head = next((n for n, one in enumerate(lines) if one.strip() == "[channels]"), None)
    if head is None:
        lines += ["", "[channels]", line]
    else:
        lines.insert(head + 1, line)
    joined = "\n".join(lines) + "\n"
    try:
        set_now = tomllib.loads(joined)["channels"][channel] == tomllib.loads(line)[channel]
    except (tomllib.TOMLDecodeError, KeyError, TypeError):
        set_now = False
    if not set_now:
        raise refused(409, "profile_layout", channel=channel, signal=answer)
    parse_profile(joined, "profile.toml")
    return joined.encode()


def without_channel(data: bytes, channel: str, answer: str) -> bytes:
    """Return a profile's text without the line that an answer added, as it was before it."""
    wanted, mark = _line(channel, answer), _mark(channel)
    lines = [line.removeprefix(mark) for line in _text(data).split("\n") if line.strip() != wanted]
    return "\n".join(lines).encode()


def _line(channel: str, answer: str) -> str:
    table = answer.startswith("{ signal = ")
    return f"{channel} = {answer if table else json.dumps(answer, ensure_ascii=False)}"


def _mark(channel: str) -> str:
    return f"# {channel} before the answer: "


def _remarked(lines: list[str], channel: str) -> list[str]:
    """Return a profile's lines, those that set a channel made remarks."""
    table, changed = "", []
    for line in lines:
        head = line.strip()
        if head.startswith("["):
            table = head.partition("#")[0].strip()
        mine = table == f"[channels.{channel}]" or (
            table == "[channels]" and head.partition("=")[0].strip() == channel
        )
        changed.append(_mark(channel) + line if mine and head else line)
    return changed


def _hashes(vehicle: VehicleRecord) -> list[str]:
    return [one.sha256 for one in vehicle.databases]


def _text(data: bytes) -> str:
    return data.decode("utf-8-sig", "replace")


def _key(databases: Sequence[Stored], profile: Stored | None) -> str:
    parts = [one.sha256 for one in databases] + [f"profile {profile.sha256}" if profile else ""]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


def _put_files(
    index: sqlite3.Connection, vehicle: str, databases: Sequence[Stored], profile: Stored | None
) -> None:
    rows = [(vehicle, "dbc", n, one.sha256, one.name) for n, one in enumerate(databases)]
    if profile is not None:
        rows.append((vehicle, "profile", 0, profile.sha256, profile.name))
    index.executemany("INSERT INTO vehicle_files VALUES (?, ?, ?, ?, ?)", rows)
