"""What drawing conclusions gives: everything on a result that carries a sentence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from canassist.model.conclusions import Conclusion, Coverage, Moment
    from canassist.model.events import Event


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The answer to 'why was the steering heavy?' on one ride.

    Attributes
    ----------
    events : tuple of Event
        The events as they were found, in the same order, each with its sentence.
    conclusions : tuple of Conclusion
        By rank; never empty.
    coverage : Coverage
        What was ridden, what cannot be told and what to ride next.
    moments : tuple of Moment
        One for each moment that the customer complained of, in the order given.
    ruled_out : tuple of Conclusion
        Causes that had some evidence and did not hold, with that evidence, so that
        a reviewer sees why. Their rank is 0, and they have no strength.
    """

    events: tuple[Event, ...]
    conclusions: tuple[Conclusion, ...]
    coverage: Coverage
    moments: tuple[Moment, ...] = ()
    ruled_out: tuple[Conclusion, ...] = ()
