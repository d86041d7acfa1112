"""Many logs at once: on this machine or a cluster, as tables and a ranked overview."""

from canassist.screen.find_logs import FoundLog, find_logs
from canassist.screen.run_screening import Screened, Wishes, screen
from canassist.screen.vehicle_names import FindVehicle, vehicle_finder
from canassist.screen.worker_pool import Crew, open_crew

__all__ = [
    "Crew",
    "FindVehicle",
    "FoundLog",
    "Screened",
    "Wishes",
    "find_logs",
    "open_crew",
    "screen",
    "vehicle_finder",
]
