"""The rides of vehicles that nothing stands out from, as a list that `learn` takes."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from canassist.model import Screening
    from canassist.screen.rides_in_order import RidesInOrder

SOUND_LIST: Final = "sound_vehicles.csv"


def sound_vehicles(whole: Screening, rides: RidesInOrder) -> str:
    """Return the list, a log a line with its vehicle; of the vehicles that the overview lists."""
    sound = {item.name for item in whole.vehicles if item.sound}
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow(("log", "vehicle"))
    for owner, logs in rides.by_vehicle():
        if owner in sound:
            rows.writerows((item.log, owner) for item in logs)
    return text.getvalue()
