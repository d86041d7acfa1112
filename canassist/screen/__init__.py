"""Many logs at once: on this machine or a cluster, as tables and a ranked overview."""

from canassist.screen.run_screening import Screened, Wishes, screen

__all__ = ["Screened", "Wishes", "screen"]
