"""What the index holds of a ride: the values that the page's parts hand to each other."""

from __future__ import annotations

import hashlib
import secrets
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal

from canassist.version import VERSION

if TYPE_CHECKING:
    from collections.abc import Mapping

RULES: Final = f"canassist-result/2 {VERSION}"
"""What reads rides now: the result's schema and the version of the rules."""

State = Literal["waiting", "working", "done", "failed", "cancelled"]

NOTES: Final = (
    "complaint",
    "correction",
    "vehicle_words",
    "odometer",
    "work_order",
    "technician",
    "equipment",
    "moments",
)
"""What the workshop says of a ride; all of it text."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """A file on the shelf: its content's hash, its own name and its size."""

    sha256: str
    name: str
    size: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RideRecord:
    """One row of the shelf; the fields are the columns of the index.

    ``kind`` is ``ride`` or ``compare``; a comparison's ``sides`` names the rides of both sides,
    ``A.A/B.B``. ``phase`` is ``before`` or ``after`` the repair of its job. ``rules`` names what
    read it: the result's schema and the version; empty where that was an earlier version's page.
    """

    id: str
    title: str
    state: State
    kind: str
    sides: str
    created_s: float
    queued_s: float
    attempts: int
    input_key: str
    vehicle: str | None
    vehicle_by: str
    vehicle_fit: str
    complaint: str
    correction: str
    vehicle_words: str
    odometer: str
    work_order: str
    technician: str
    equipment: str
    moments: str
    page: str | None
    data: str | None
    questions: str | None
    headline: str
    code: str
    strength: str
    start_utc: str
    duration_s: float | None
    frames: int | None
    problem: str
    fix: str
    number: str
    deleted_s: float | None
    job: str | None = None
    phase: str = ""
    role: str = ""
    explains: str = ""
    rules: str = ""
    picture: str | None = None
    uploaded_by: str = ""
    vehicle_name: str = ""

    @property
    def both_sides(self) -> tuple[list[str], list[str]]:
        """Rides of a comparison's two sides."""
        a, _, b = self.sides.partition("/")
        return [one for one in a.split(".") if one], [one for one in b.split(".") if one]

    @property
    def deleted(self) -> bool:
        """Whether it was taken off the shelf; it can come back for a while."""
        return self.deleted_s is not None

    @property
    def busy(self) -> bool:
        """Whether it waits or is worked on."""
        return self.state in {"waiting", "working"}


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredAnswer:
    """What an analysis came to; hashes name kept files."""

    page: str
    data: str
    questions: str | None
    headline: str
    code: str
    strength: str
    start_utc: str
    duration_s: float
    frames: int
    vehicle: str | None
    vehicle_by: str
    vehicle_fit: str
    role: str = ""
    explains: str = ""
    rules: str = ""
    picture: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class NewRide:
    """A ride to be put on the shelf and into the queue."""

    title: str
    files: tuple[Stored, ...]
    vehicle: str | None = None
    vehicle_by: str = ""
    notes: Mapping[str, str] = field(default_factory=dict)
    kind: str = "ride"
    sides: str = ""
    job: str | None = None
    phase: str = ""
    uploaded_by: str = ""

    @property
    def input_key(self) -> str:
        """What tells that the same files were given before."""
        given = " ".join(one.sha256 for one in self.files) or self.sides
        return hashlib.sha256(given.encode()).hexdigest()


def new_id() -> str:
    """Return an identifier that cannot be guessed."""
    return secrets.token_hex(8)
