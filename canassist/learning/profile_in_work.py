"""A profile while it is learned, and the lines of the sheet beside it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from canassist.learning.fleet import points_of
from canassist.model import LearnedFigure, LearnedLaw

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.model import Profile, RideFigures


@dataclass(slots=True)
class ProfileInWork:
    """A profile on its way, and the lines of the sheet."""

    profile: Profile
    laws: list[LearnedLaw] = field(default_factory=list)

    def limit(self, name: str, line: LearnedLaw) -> None:
        """Take a limit, and its source."""
        self.laws.append(replace(line, name=f"limits.{name}"))
        if line.figure is not None and isinstance(line.figure.value, float):
            full = f"limits.{name}"
            self.profile = replace(
                self.profile,
                limits=replace(self.profile.limits, **{name: line.figure.value}),
                given=self.profile.given | {full},
                learned={**self.profile.learned, full: line.figure},
            )

    def source(self, name: str, line: LearnedLaw) -> None:
        """Take a figure that has no place of its own but its source."""
        self.laws.append(line)
        if line.figure is not None:
            self.profile = replace(
                self.profile, learned={**self.profile.learned, name: line.figure}
            )

    def put(self, **parts: Any) -> None:  # noqa: ANN401 - fields of a profile
        """Set parts of the profile."""
        self.profile = replace(self.profile, **parts)


def sheet_line(  # noqa: PLR0913, PLR0917 - a line of the sheet has these columns
    rides: Sequence[RideFigures],
    name: str,
    words: str,
    unit: str,
    figure: LearnedFigure | None,
    use: str,
    missing: str,
) -> LearnedLaw:
    """Return the line of a figure that rides give one value each."""
    return LearnedLaw(
        name=name,
        words=words,
        unit=unit,
        figure=figure,
        use=use,
        missing="" if figure is not None else missing,
        x_words="ride",
        points=points_of(rides, name),
    )


def told(work: ProfileInWork, rides: Sequence[RideFigures], name: str, word: str) -> None:
    """Note who stands behind a word of the profile."""
    vehicles = len({ride.vehicle for ride in rides})
    figure = LearnedFigure(value=word, rides=len(rides), vehicles=vehicles)
    learned = {**work.profile.learned, name: figure}
    work.put(learned=learned, given=work.profile.given | {name})
