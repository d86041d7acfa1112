"""Many logs at once: on this machine or a cluster, as tables and a ranked overview."""

from canassist.screen.find_logs import FoundLog, find_logs
from canassist.screen.run_screening import Screened, ScreeningOptions, screen
from canassist.screen.sound_vehicles import SOUND_LIST
from canassist.screen.vehicle_names import FindVehicle, vehicle_finder
from canassist.screen.worker_pool import WorkerPool, open_pool

__all__ = [
    "SOUND_LIST",
    "FindVehicle",
    "FoundLog",
    "Screened",
    "ScreeningOptions",
    "WorkerPool",
    "find_logs",
    "open_pool",
    "screen",
    "vehicle_finder",
]
