"""Moments of a ride as people say them: minutes, seconds and, where known, the clock."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Final

from canassist.report.page.measures import THIN_SPACE

_MINUTE: Final = 60.0
_HOUR_MIN: Final = 60


def minutes_seconds(time_s: float, places: int = 1) -> str:
    """Return ``m:ss.t``, or ``h:mm:ss.t`` from one hour on."""
    scaled = round(time_s * 10**places)
    whole, part = divmod(abs(scaled), 10**places)
    minutes, seconds = divmod(whole, int(_MINUTE))
    tail = f".{part:0{places}d}" if places else ""
    sign = "\u2212" if scaled < 0 else ""
    if minutes >= _HOUR_MIN:
        hours, minutes = divmod(minutes, _HOUR_MIN)
        return f"{sign}{hours}:{minutes:02d}:{seconds:02d}{tail}"
    return f"{sign}{minutes}:{seconds:02d}{tail}"


def duration(time_s: float) -> str:
    """Return a length of time: seconds below two minutes, else minutes and seconds."""
    if time_s < 2 * _MINUTE:
        return f"{time_s:.1f}{THIN_SPACE}s"
    whole = round(time_s)
    minutes, seconds = divmod(whole, int(_MINUTE))
    if minutes >= _HOUR_MIN:
        hours, minutes = divmod(minutes, _HOUR_MIN)
        return f"{hours}{THIN_SPACE}h {minutes}{THIN_SPACE}min"
    return f"{minutes}{THIN_SPACE}min {seconds}{THIN_SPACE}s"


@dataclass(frozen=True, slots=True)
class RideClock:
    """The ride's own clock: when it started, and in which zone to say so."""

    start_utc: datetime | None
    zone: tzinfo | None = None

    def at(self, time_s: float) -> str:
        """Return the time of day at a moment, empty where the log has none."""
        moment = self._moment(time_s)
        if moment is None:
            return ""
        return f"{moment:%H:%M:%S} {self._zone_name(moment)}"

    def midnight_s(self) -> float | None:
        """Return the time of day at the start in seconds, None where the log has no clock."""
        moment = self._moment(0.0)
        if moment is None:
            return None
        midnight = moment.replace(hour=0, minute=0, second=0, microsecond=0)
        return (moment - midnight).total_seconds()

    def zone_name(self) -> str:
        """Return the short name of the zone at the start, empty where there is no clock."""
        moment = self._moment(0.0)
        return "" if moment is None else self._zone_name(moment)

    def started(self) -> str:
        """Return date and time of the start, in UTC and in the zone, empty where unknown."""
        moment = self._moment(0.0)
        if moment is None or self.start_utc is None:
            return ""
        utc = f"{self.start_utc.astimezone(UTC):%Y-%m-%d %H:%M:%S} UTC"
        if self.zone is None:
            return utc
        return f"{moment:%Y-%m-%d %H:%M:%S} {self._zone_name(moment)} ({utc})"

    def _moment(self, time_s: float) -> datetime | None:
        if self.start_utc is None:
            return None
        moment = self.start_utc + timedelta(seconds=time_s)
        return moment.astimezone(self.zone or UTC)

    @staticmethod
    def _zone_name(moment: datetime) -> str:
        name = moment.tzname() or ""
        return name if name[:1].isalpha() else f"UTC{name}"
